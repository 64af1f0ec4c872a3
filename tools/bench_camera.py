"""What the camera's own process costs: CPU and memory beside the same camera in one process, taken in turns.

    DOORYARD_PICAMERA2=FOLDER python tools/bench_camera.py [--frames 300] [--rounds 5] [--large-every 10]

FOLDER holds picamera2 as `tools/test` fetches it. There is no hardware here: the stand-in for libcamera fills
the buffers, which costs the same both ways and is counted both ways. CPU is that of both processes; memory is
the proportional set size (PSS), in which what is shared is counted once.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import psutil

ROOT = Path(__file__).parent.parent
VERSION = "0.3.38"


def measure(kind: str, frames: int, large_every: int) -> dict[str, float]:
    """One camera of `kind` in this process: ms of CPU for each frame, ms to open, MiB of memory."""
    import time

    from dooryard.camera.base import Camera
    from dooryard.camera.picamera import PicameraCamera
    from dooryard.camera.picamera_options import PicameraSettings
    from dooryard.camera.picamera_process import PicameraProcess
    from dooryard.core.clock import SystemClock
    from dooryard.core.malloc import keep_memory_flat

    keep_memory_flat()  # as the service does, and the process
    settings = PicameraSettings(frames_per_s=50.0)
    clock = SystemClock()
    camera: Camera = (
        PicameraProcess(clock, settings) if kind == "apart" else PicameraCamera.of(settings, clock)
    )
    me = psutil.Process()
    begun_s = time.monotonic()
    camera.open()
    opened_s = time.monotonic() - begun_s
    camera.read(5.0).large()
    processes = [me, *me.children()]

    def cpu_s() -> float:
        return sum(sum(process.cpu_times()[:2]) for process in processes)

    before_s = cpu_s()
    for number in range(frames):
        frame = camera.read(5.0)
        if number % large_every == 0:
            frame.large()
    spent_s = cpu_s() - before_s
    memory = [process.memory_full_info().pss / 2**20 for process in processes]
    camera.close()
    return {
        "cpu_ms": 1000 * spent_s / frames,
        "open_ms": 1000 * opened_s,
        "memory_mib": sum(memory),
        "mine_mib": memory[0],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description="Compare the camera in its own process with one in this.")
    parser.add_argument("--frames", type=int, default=300)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--large-every", type=int, default=10)
    parser.add_argument("--kind", choices=("apart", "within"), help="one measurement, as JSON")
    asked = parser.parse_args()
    if asked.kind:
        print(json.dumps(measure(asked.kind, asked.frames, asked.large_every)))
        return
    folder = os.environ.get("DOORYARD_PICAMERA2")
    if not folder:
        raise SystemExit("set DOORYARD_PICAMERA2 to the folder with picamera2 (tools/test fetches it)")
    results: dict[str, list[dict[str, float]]] = {"within": [], "apart": []}
    with tempfile.TemporaryDirectory() as scratch:
        board = Path(scratch) / "board.json"
        board.write_text("{}", encoding="utf-8")
        environ = os.environ | {
            "PYTHONPATH": f"{ROOT / 'tests/fakes/standin'}:{Path(folder) / VERSION}",
            "DOORYARD_STANDIN_BOARD": str(board),
        }
        for _ in range(asked.rounds):
            for kind, found in results.items():
                ran = subprocess.run(
                    [sys.executable, __file__, "--kind", kind, "--frames", str(asked.frames),
                     "--large-every", str(asked.large_every)],
                    env=environ, capture_output=True, text=True, check=True,
                )  # fmt: skip
                found.append(json.loads(ran.stdout))
    for name in results["within"][0]:
        medians = {kind: statistics.median(each[name] for each in found) for kind, found in results.items()}
        more = medians["apart"] / medians["within"] - 1
        print(f"{name}: within {medians['within']:.2f}, apart {medians['apart']:.2f} ({more:+.1%})")


if __name__ == "__main__":
    main()
