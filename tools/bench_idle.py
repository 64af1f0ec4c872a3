"""What the service costs while nobody comes, on this machine: start, idle loop, and the gate's share of it.

    python tools/bench_idle.py [--seconds 20] [--json]

The service runs as a process of its own, as on a board: `dooryard run` with a fake camera that gives 5
frames a second in real time, the built-in classifier, the board's own sensors and no sink. Its CPU time is
read from the kernel. Start to first frame: from the start of the process until its status line, given over
the service manager's socket, counts a frame. The gate's share: the same frames, timed in this process; a
real view has more that moves, and costs the gate more (`tools/bench_gate.py`). The rest is making the fake
picture and its small copy, and the loop.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import socket
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import psutil

from dooryard import gate
from dooryard.camera.fake import FakeCamera
from dooryard.gate import GateSettings, GateState

FRAMES_PER_S = 5.0
MOST_START_S, MOST_CPU = 2.0, 0.05  # to the first frame; of one core
PATIENCE_S = 60.0  # with the start
WARM_S = 15.0  # after the first frame: the gate has then learned the view
BOX = f"""
name = "Alder Row, idle"
[camera]
kind = "fake"
script = "f"
repeat = true
live = true
frames_per_s = {FRAMES_PER_S}
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--json", action="store_true")
    chosen = parser.parse_args()
    with TemporaryDirectory() as folder:
        measured = measure_service(Path(folder), chosen.seconds)
    gate_ms, picture_ms = measure_gate()
    measured |= {
        "gate_ms": gate_ms,
        "picture_ms": picture_ms,
        "gate_of_a_core": gate_ms * FRAMES_PER_S / 1000,
        "picture_of_a_core": picture_ms * FRAMES_PER_S / 1000,
    }
    print(json.dumps(measured) if chosen.json else in_words(measured))
    well = measured["first_frame_s"] <= MOST_START_S and measured["of_a_core"] <= MOST_CPU
    return 0 if well else 1


def measure_service(home: Path, seconds: float) -> dict[str, float]:
    """Start the service in `home`, let it idle for `seconds`, and end it."""
    (home / "box.toml").write_text(BOX, encoding="utf-8")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(home / "notify"))
        manager.settimeout(PATIENCE_S)
        begun_s = time.monotonic()
        process = subprocess.Popen(
            [sys.executable, "-m", "dooryard", "run", "--box", str(home / "box.toml")],
            env=os.environ | {"NOTIFY_SOCKET": str(home / "notify")},
            stderr=subprocess.DEVNULL,
        )
        try:
            ready_s = _until(manager, re.compile("READY=1")) - begun_s
            first_s = _until(manager, re.compile(r"[; ][1-9]\d* frames")) - begun_s
            _listen(manager, WARM_S)
            used = _idle(manager, psutil.Process(process.pid), seconds)
            return {"ready_s": ready_s, "first_frame_s": first_s} | used
        finally:
            process.terminate()
            process.wait(PATIENCE_S)


def _until(manager: socket.socket, wanted: re.Pattern[str]) -> float:
    """Monotonic seconds when the service says something that matches. Raises TimeoutError."""
    while not wanted.search(manager.recv(4096).decode()):
        pass
    return time.monotonic()


def _listen(manager: socket.socket, seconds: float) -> None:
    """Take what the service says, as its manager does: a full socket would hold it up."""
    end_s = time.monotonic() + seconds
    while (left_s := end_s - time.monotonic()) > 0:
        manager.settimeout(left_s)
        with contextlib.suppress(TimeoutError):  # the time is over
            manager.recv(4096)


def _idle(manager: socket.socket, service: psutil.Process, seconds: float) -> dict[str, float]:
    """The service's use of a core, its wake-ups and its memory over `seconds`."""
    before, switched, begun_s = service.cpu_times(), service.num_ctx_switches(), time.monotonic()
    _listen(manager, seconds)
    after, took_s = service.cpu_times(), time.monotonic() - begun_s
    cpu_s = after.user + after.system - before.user - before.system
    wakes = service.num_ctx_switches().voluntary - switched.voluntary  # the main thread's
    return {
        "seconds": took_s,
        "of_a_core": cpu_s / took_s,
        "wakes_per_s": wakes / took_s,
        "memory_mb": service.memory_info().rss / 1e6,
        "threads": service.num_threads(),
    }


def measure_gate(frames: int = 150) -> tuple[float, float]:
    """CPU milliseconds of the gate, and of reading a fake frame with its small picture, each per frame."""
    camera = FakeCamera("f", repeat=True, frames_per_s=FRAMES_PER_S)
    camera.open()
    state: GateState | None = None
    gate_s = picture_s = 0.0
    warm = int(WARM_S * FRAMES_PER_S)
    for number in range(warm + frames):
        begun_s = time.process_time()
        frame = camera.read(1.0)
        read_s = time.process_time()
        state, _motions = gate.watch(state, frame.luma, frame.mono_s, GateSettings())
        if number >= warm:
            picture_s += read_s - begun_s
            gate_s += time.process_time() - read_s
    return 1000 * gate_s / frames, 1000 * picture_s / frames


def in_words(measured: dict[str, float]) -> str:
    """The figures, one line each."""
    ready_s, first_s, seconds = measured["ready_s"], measured["first_frame_s"], measured["seconds"]
    start = (
        f"start: ready after {ready_s:.2f} s, first frame after {first_s:.2f} s (wanted: {MOST_START_S:g} s)"
    )
    idle = (
        f"idle at {FRAMES_PER_S:g} frames a second for {seconds:.0f} s: "
        f"{measured['of_a_core']:.1%} of a core (wanted: {MOST_CPU:.0%}), "
        f"{measured['wakes_per_s']:.1f} wake-ups of the main thread a second, "
        f"{measured['threads']:.0f} threads, {measured['memory_mb']:.0f} MB"
    )
    part = measured["gate_of_a_core"] / measured["of_a_core"]
    share = (
        f"of it the gate {measured['gate_of_a_core']:.1%} of a core ({measured['gate_ms']:.2f} ms a frame, "
        f"{part:.0%} of all), the fake camera {measured['picture_of_a_core']:.1%}"
    )
    return f"{start}\n{idle}\n{share}"


if __name__ == "__main__":
    sys.exit(main())
