"""A recording with truth, for real footage.

The folder holds frames, `*.jpg` or `*.png`, shown in the order of their names, and `truth.json`:

    {"frames_per_s": 5.0, "warm_s": 60,
     "visits": [{"from": 812, "to": 930, "box": [0.41, 0.30, 0.52, 0.44]}]}

`from` and `to` are numbers of frames (0 is the first); `box` is the visitor's place in relative
coordinates (x0, y0, x1, y1), y downwards; times at which somebody is there without a visit worth seeing go
into "unsure": [{"from": …, "to": …}] and count neither way.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from dooryard.records import Box
from gate_bench.clip import Clip, Luma, Stay

SIZE = (320, 240)  # width, height


def real_clip(folder: Path) -> Clip:
    """Raises SystemExit with a remedy when the folder is not as described above."""
    paths = sorted([*folder.glob("*.jpg"), *folder.glob("*.png")])
    try:
        truth = json.loads((folder / "truth.json").read_text())
        rate = float(truth["frames_per_s"])
    except (OSError, ValueError, KeyError) as error:
        raise SystemExit(
            f"{folder}/truth.json: {error}\n  to do: write it as tools/gate_bench/real.py says"
        ) from error
    if not paths:
        raise SystemExit(f"{folder}: no *.jpg or *.png\n  to do: name the folder that holds the frames")

    def frames() -> Iterator[Luma]:
        for path in paths:
            picture = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
            if picture is None:
                raise SystemExit(f"{path}: not a picture\n  to do: take it out of the folder")
            yield np.asarray(cv2.resize(picture, SIZE, interpolation=cv2.INTER_AREA), np.uint8)

    stays = [_stay(one, rate) for one in truth.get("visits", [])]
    stays += [_stay({**one, "box": [0, 0, 1, 1]}, rate, worth=False) for one in truth.get("unsure", [])]
    warm_s = float(truth.get("warm_s", 60.0))
    return Clip(folder.name, folder.name, "real", rate, len(paths), frames, tuple(stays), warm_s)


def _stay(one: dict[str, object], rate: float, *, worth: bool = True) -> Stay:
    first, last = int(one["from"]), int(one["to"])  # type: ignore[call-overload]
    box = Box(*map(float, one["box"]))  # type: ignore[call-overload]
    longer = max(SIZE[0] * (box.x1 - box.x0), SIZE[1] * (box.y1 - box.y0))
    start, end = first / rate, (last + 1) / rate
    boxes = dict.fromkeys(range(first, last + 1), box) if worth else {}
    return Stay(start, start, end if worth else start, end, longer, boxes)
