"""What one look of the classifier costs, whether its memory stays flat, and what it tells.

    python tools/bench_classifier.py [--looks 200] [--threads 1] [--side 300] [--steady 10000]
                                     [--species-card CARD] [--accuracy FOLDER]

The whole classifier and the bare runtime on the same input are measured by turns in one process, in CPU
time, so that a busy machine disturbs them alike; the figure is the median of the pairs' differences. How
large it is against the network depends on the processor: one with int8 dot products runs the network up to
twice as fast as one without, and everything else about as fast. With a species model both networks count as
bare, and every look asks both. Memory is the resident set, sampled over `--steady` looks. `--accuracy`
prints tables of what is told on the simulated garden (see tools/measure_memory_model.py for what FOLDER
holds). Figures hold for the machine they were made on; it is printed first.
"""

from __future__ import annotations

import argparse
import platform
import resource
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import psutil
from numpy.typing import NDArray

from dooryard.classify import card, crop, labels, network, onnx, runtime, scores
from dooryard.classify.onnx import BUILT_IN, OnnxClassifier
from dooryard.core.records import Box, Exposure, Frame
from dooryard.site import memory

WIDTH, HEIGHT = 1640, 1232  # pixels, a usual large picture
_MIB = 2**20
_SAMPLES = 20


def processor() -> str:
    """The processor's name, and whether it multiplies and adds bytes in one step."""
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return platform.machine()
    rows = (row.partition(":") for row in text.splitlines())
    facts = {key.strip(): value.strip() for key, _, value in rows}
    flags = set((facts.get("flags") or facts.get("Features") or "").split())
    fast = bool(flags & {"avx_vnni", "avx512_vnni", "asimddp"})
    return f"{facts.get('model name') or platform.machine()}, int8 dot products: {'yes' if fast else 'no'}"


def a_frame(gain: float) -> Frame:
    """Return a frame of seeded noise: the cost depends on the sensor's gain, not on what is shown."""
    random = np.random.default_rng(1)
    large = random.integers(0, 256, (HEIGHT, WIDTH, 3), dtype=np.uint8)
    large.setflags(write=False)  # as the camera hands it over
    luma = np.zeros((240, 320), dtype=np.uint8)
    taken = datetime(2026, 6, 14, 14, 0, tzinfo=UTC)
    return Frame(1, taken, 0.0, luma, lambda: large, exposure=Exposure(gain=gain))


def bare(path: Path, threads: int, frame: Frame, box: Box) -> Callable[[], object]:
    """Return a run of the bare runtime on one prepared crop, set up in the plainest way."""
    onnxruntime = runtime.load()
    facts = card.parse(path.read_text(encoding="utf-8"), str(path))
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    session: Any = onnxruntime.InferenceSession(
        path.with_name(facts.model), options, providers=["CPUExecutionProvider"]
    )
    planes = crop.prepare(frame.large(), box, None, side=facts.side_px).planes
    taken = network.as_input(facts, planes)
    return lambda: session.run(None, {facts.input_name: taken})


def cpu_ms(work: Callable[[], object]) -> float:
    """Return the CPU milliseconds of all threads that `work` takes."""
    before = time.process_time()
    work()
    return (time.process_time() - before) * 1000


def by_turns(one: Callable[[], object], other: Callable[[], object], count: int) -> NDArray[np.float64]:
    """Return (count, 2) CPU milliseconds of `one` and `other`."""
    for work in (one, other):
        work()
    return np.array([(cpu_ms(one), cpu_ms(other)) for _ in range(count)])


def steady_mib(work: Callable[[], object], count: int) -> list[float]:
    """Return the resident set in MiB, sampled `_SAMPLES` times over `count` runs."""
    process, found = psutil.Process(), []
    for _ in range(_SAMPLES):
        for _ in range(max(1, count // _SAMPLES)):
            work()
        found.append(process.memory_info().rss / _MIB)
    return found


def full_memory(feature_count: int) -> memory.SiteMemory:
    """A site memory as full as it gets."""
    random = np.random.default_rng(2)
    state = memory.blank(feature_count)
    for features in random.random((600, feature_count), dtype=np.float32):
        x, y = random.uniform(0.1, 0.9, 2)
        state = memory.learn(state, Box(x - 0.1, y - 0.1, x + 0.1, y + 0.1), features)
    return state


def remembering(
    classifier: OnnxClassifier, state: memory.SiteMemory, frame: Frame, box: Box
) -> Callable[[], object]:
    """A look with the site memory asked."""

    def look() -> None:
        (sighting,) = classifier.look(frame, [box])
        if sighting.features is not None:
            memory.ratio(memory.novelty(state, sighting.features))

    return look


def parts(classifier: OnnxClassifier, frame: Frame, box: Box) -> dict[str, Callable[[], object]]:
    """The steps of a look beside the network, by name."""
    facts, pixels = classifier.card, frame.large()
    at = crop.window(box, WIDTH, HEIGHT)
    done = crop.square(pixels, at, None, facts.side_px)
    logits, features = classifier.answer(done.planes)
    table = labels.parse(BUILT_IN.with_name(facts.labels).read_text(encoding="utf-8"), facts.classes, "")
    return {
        "crop": lambda: crop.square(pixels, at, None, facts.side_px),
        "crop, noisy": lambda: crop.square(pixels, at, crop.NOISY_GAIN, facts.side_px),
        "to the network": lambda: network.as_input(facts, done.planes),
        "sharpness": lambda: crop.sharpness(done.green),
        "scores": lambda: scores.read(logits, table),
        "leaning": lambda: classifier.leaning(features),
    }


def accuracy(folder: Path) -> None:
    """Print what is told of the test scenes, with and without the site memory."""
    import calibrate_model
    import measure_memory_model as measure
    import model_looks
    import model_scenes

    plane, places = calibrate_model.built_in(), []
    for kind in model_scenes.TEST:
        for noise in calibrate_model.NOISES:
            looks = model_looks.site(kind, noise, folder)
            places.append(measure.place(looks, calibrate_model.leanings(plane, looks)))
    measure.report("test scenes", places)
    measure.table(places)


def main() -> None:
    arguments = argparse.ArgumentParser(description="Measure what one look of the classifier costs.")
    arguments.add_argument("--looks", type=int, default=200)
    arguments.add_argument("--threads", type=int, default=1)
    arguments.add_argument("--side", type=int, default=300, help="side of the box, in picture pixels")
    arguments.add_argument("--steady", type=int, default=1000, help="looks over which memory is sampled")
    arguments.add_argument("--species-card", type=Path)
    arguments.add_argument("--accuracy", type=Path, help="folder of kept looks")
    given = arguments.parse_args()
    print(f"{processor()}, Python {platform.python_version()}")
    if given.accuracy:
        accuracy(given.accuracy)
        return

    onnx.ASK_WHICH_FROM = 0.0  # both networks at every look
    classifier = OnnxClassifier(threads=given.threads, species_card=given.species_card)
    classifier.warm_up()
    frame, noisy = a_frame(1.0), a_frame(crop.NOISY_GAIN)
    box = Box(0.3, 0.3, 0.3 + given.side / WIDTH, 0.3 + given.side / HEIGHT)
    state = full_memory(classifier.card.feature_count)
    look = remembering(classifier, state, frame, box)
    held = steady_mib(look, given.steady)
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024  # Linux counts in KiB

    networks = [bare(path, given.threads, frame, box) for path in (BUILT_IN, given.species_card) if path]
    print(f"{given.looks} looks at a box of {given.side} px in {WIDTH} x {HEIGHT}, {given.threads} thread(s)")
    for name, whole in (("whole look", look), ("same, noisy", remembering(classifier, state, noisy, box))):
        pairs = by_turns(lambda: [run() for run in networks], whole, given.looks)
        raw_ms, look_ms = np.median(pairs, axis=0)
        extra_ms = float(np.median(pairs[:, 1] - pairs[:, 0]))
        print(f"bare runtime   {raw_ms:6.2f} ms CPU, {len(networks)} network(s)")
        print(f"{name:15s}{look_ms:6.2f} ms CPU, {extra_ms:+.2f} ms ({extra_ms / raw_ms:+.0%})")
    for name, work in parts(classifier, frame, box).items():
        print(f"  {name:15s}{np.median([cpu_ms(work) for _ in range(given.looks)]):5.2f}")
    learning = [cpu_ms(lambda: memory.learn(state, box, state.vectors[0])) for _ in range(given.looks)]
    print(f"a look learned {np.median(learning):6.2f} ms CPU, each half minute")
    print(
        f"memory         {peak_mib:6.1f} MiB peak; over {given.steady} looks {held[0]:.1f} after 5 % of them,"
    )
    print(f"               {max(held):.1f} at most, {held[-1]:.1f} at the end")


if __name__ == "__main__":
    main()
