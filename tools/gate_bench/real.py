"""A recording with truth, for real footage.

The folder holds frames, `*.jpg` or `*.png`, shown in the order of their names, and `truth.json`:

    {"frames_per_s": 5.0, "warm_s": 60,
     "visits": [{"from": 812, "to": 930, "box": [0.41, 0.30, 0.52, 0.44]}]}

`from` and `to` are numbers of frames (0 is the first); `box` is the visitor's place in relative
coordinates (x0, y0, x1, y1), y downwards; times at which somebody is there without a visit worth seeing go
into "unsure": [{"from": …, "to": …}] and count neither way. Of the first `warm_s` seconds nothing counts.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from dooryard.core.records import Box
from gate_bench.clip import Clip, Luma, Stay

SIZE = (320, 240)  # width, height


def real_clip(folder: Path) -> Clip:
    """Raises SystemExit with a remedy when the folder is not as described above."""
    paths = sorted([*folder.glob("*.jpg"), *folder.glob("*.png")])
    if not paths:
        raise SystemExit(f"{folder}: no *.jpg or *.png\n  to do: name the folder that holds the frames")
    try:
        truth = json.loads((folder / "truth.json").read_text())
        rate, warm_s = float(truth["frames_per_s"]), float(truth.get("warm_s", 60.0))
        stays = [_stay(one, rate, len(paths)) for one in truth.get("visits", [])]
        unsure = [{**one, "box": [0, 0, 1, 1]} for one in truth.get("unsure", [])]
        stays += [_stay(one, rate, len(paths), worth=False) for one in unsure]
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        what = f"{error} is missing" if isinstance(error, KeyError) else str(error)
        raise SystemExit(
            f"{folder}/truth.json: {what}\n  to do: write it as tools/gate_bench/real.py says"
        ) from error

    def frames() -> Iterator[Luma]:
        for path in paths:
            try:
                with Image.open(path) as picture:
                    grey = picture.convert("L").resize(SIZE, Image.Resampling.BOX)
            except OSError as error:
                raise SystemExit(f"{path}: {error}\n  to do: take it out of the folder") from error
            yield np.asarray(grey, np.uint8)

    return Clip(folder.name, folder.name, "real", rate, len(paths), frames, tuple(stays), warm_s)


def _stay(one: dict[str, Any], rate: float, count: int, *, worth: bool = True) -> Stay:
    first, last = int(one["from"]), int(one["to"])
    if not 0 <= first <= last < count:
        raise ValueError(f"a visit from {first} to {last}: there are frames 0 to {count - 1}")
    box = Box(*map(float, one["box"]))
    if not (0 <= box.x0 < box.x1 <= 1 and 0 <= box.y0 < box.y1 <= 1):
        raise ValueError(f"the box {one['box']} is not x0, y0, x1, y1 between 0 and 1")
    longer = max(SIZE[0] * (box.x1 - box.x0), SIZE[1] * (box.y1 - box.y0))
    start, end = first / rate, (last + 1) / rate
    boxes = dict.fromkeys(range(first, last + 1), box) if worth else {}
    return Stay(start, start, end if worth else start, end, longer, boxes)
