"""How fast the simulated garden is drawn: python tools/bench_scene.py [FRAMES]

Prints CPU milliseconds a frame of one core, and frames a second of CPU time, for the colour picture at
640x480 with its luma, and for luma drawn by itself at 320x240.
"""

from __future__ import annotations

import sys
import time

from dooryard.camera.garden.families import alder_row_afternoon
from dooryard.camera.scene import SceneCamera


def cpu_ms(*, direct_luma: bool, count: int) -> float:
    camera = SceneCamera(alder_row_afternoon(), direct_luma=direct_luma)
    camera.open(camera.plan.wall(195))  # a visitor is there
    camera.read(1.0)  # paints the garden
    began_s = time.process_time()
    for _ in range(count):
        camera.read(1.0)
    return (time.process_time() - began_s) / count * 1000


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    for name, direct in (("colour 640x480", False), ("luma 320x240", True)):
        each_ms = cpu_ms(direct_luma=direct, count=count)
        print(f"{name}: {each_ms:.1f} ms a frame, {1000 / each_ms:.0f} frames a second of one core")


if __name__ == "__main__":
    main()
