"""What the container's camera sees: a stretch of the simulated garden, painted once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from dooryard.camera.base import EndOfFramesError
from dooryard.camera.garden.families import PRESETS
from dooryard.camera.scene import SceneCamera

LARGE = (640, 480)
LUMA = (320, 240)
FRAMES_PER_S = 5.0
SECONDS = 120.0


def paint(folder: Path) -> int:
    """Write `luma.npy` and `large.npy` into `folder`. Returns how many frames there are."""
    garden = replace(
        PRESETS["alder row afternoon"](),
        duration_s=SECONDS,
        width=LARGE[0],
        height=LARGE[1],
        frames_per_s=FRAMES_PER_S,
    )
    camera = SceneCamera(garden, luma_size=LUMA)
    camera.open()
    luma, large = [], []
    try:
        while True:
            frame = camera.read(1.0)
            luma.append(frame.luma)
            large.append(frame.large())
    except EndOfFramesError:
        pass
    folder.mkdir(parents=True)
    np.save(folder / "luma.npy", np.stack(luma))
    np.save(folder / "large.npy", np.stack(large))
    return len(luma)
