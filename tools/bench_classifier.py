"""What one look costs: the whole classifier against the bare runtime on the same input.

    python tools/bench_classifier.py [--looks 200] [--threads 1] [--side 300]

Both are measured by turns in one process, in CPU time, so that a busy machine disturbs them alike; the
figure is the median of the pairs' differences. Memory is the peak with the classifier alone, before the
bare runtime joins it, and the growth over the second half of the looks. Figures hold for the machine
they were made on; it is printed first.
"""

from __future__ import annotations

import argparse
import platform
import resource
import time
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import numpy as np
import psutil

from dooryard.classify.crop import prepare
from dooryard.classify.onnx import BUILT_IN, OnnxClassifier
from dooryard.records import Box, Frame

WIDTH, HEIGHT = 1640, 1232  # pixels, a usual large picture
_MIB = 2**20


def a_frame() -> Frame:
    """Return a frame of seeded noise: the cost does not depend on what is shown."""
    random = np.random.default_rng(1)
    large = random.integers(0, 256, (HEIGHT, WIDTH, 3)).astype(np.uint8)
    luma = np.zeros((240, 320), dtype=np.uint8)
    return Frame(1, datetime(2026, 6, 14, 14, 0, tzinfo=UTC), 0.0, luma, lambda: large)


def bare_session(threads: int) -> Any:
    """Return a runtime session set up in the plainest way."""
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    return onnxruntime.InferenceSession(
        BUILT_IN.with_name("lite0.onnx"), options, providers=["CPUExecutionProvider"]
    )


def cpu_ms(work: Callable[[], object]) -> float:
    """Return the CPU milliseconds of all threads that `work` takes."""
    before = time.process_time()
    work()
    return (time.process_time() - before) * 1000


def by_turns(
    classifier: OnnxClassifier, frame: Frame, box: Box, looks: int, threads: int
) -> tuple[list[tuple[float, float]], float]:
    """Return (bare, whole) CPU milliseconds of each pair, and the growth in memory (MiB) at the end."""
    card = classifier.card
    crop = prepare(frame.large(), box, None, side=card.side_px, mean=card.mean, scale=card.scale)
    bare = bare_session(threads)
    process, pairs, halfway = psutil.Process(), [], 0
    for number in range(looks):
        if number == looks // 2:
            halfway = process.memory_info().rss
        raw = cpu_ms(lambda: bare.run(None, {card.input_name: crop.tensor}))
        pairs.append((raw, cpu_ms(lambda: classifier.look(frame, [box]))))
    return pairs, (process.memory_info().rss - halfway) / _MIB


def main() -> None:
    arguments = argparse.ArgumentParser(description="Measure what one look of the classifier costs.")
    arguments.add_argument("--looks", type=int, default=200)
    arguments.add_argument("--threads", type=int, default=1)
    arguments.add_argument("--side", type=int, default=300, help="side of the box, in picture pixels")
    given = arguments.parse_args()

    classifier = OnnxClassifier(threads=given.threads)
    classifier.warm_up()
    alone_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # Linux counts in KiB
    box = Box(0.3, 0.3, 0.3 + given.side / WIDTH, 0.3 + given.side / HEIGHT)
    pairs, growth_mib = by_turns(classifier, a_frame(), box, given.looks, given.threads)

    raw_ms, look_ms = np.median(np.array(pairs), axis=0)
    extra_ms = float(np.median([look - raw for raw, look in pairs]))
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}")
    print(f"{given.looks} looks at a box of {given.side} px in {WIDTH} x {HEIGHT}, {given.threads} thread(s)")
    print(f"bare runtime   {raw_ms:6.2f} ms CPU")
    print(f"whole look     {look_ms:6.2f} ms CPU, {extra_ms:+.2f} ms ({extra_ms / raw_ms:+.0%})")
    print(f"memory         {alone_mib:6.1f} MiB peak with the classifier loaded and run once")
    print(f"               {growth_mib:+6.1f} MiB over the second half of the looks")


if __name__ == "__main__":
    main()
