"""Does the camera give pictures, sharp and well exposed, as fast as it should?

The bounds are ours (common practice, no source); sharpness in particular depends on the view, so a low
value is only ever a "look".
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from statistics import median

import numpy as np
from PIL import Image

from dooryard.camera.base import Camera, CameraStalledError, EndOfFramesError
from dooryard.classify.crop import sharpness
from dooryard.core.clock import Clock
from dooryard.core.records import Frame, Rgb
from dooryard.survey.lines import Finding, bad, good, look

FRAMES = 30
_BLURRED = 12.0  # grey levels squared
_ABOUT = "camera"


def camera_lines(
    camera: Camera, clock: Clock, frames_per_s: float | None, *, within_s: float = 20.0
) -> Sequence[Finding]:
    """Open the camera, take frames and one large picture, close it.

    `frames_per_s` is what the box file asks for; None: not known (a recording). Raises CameraError, with
    its remedy, when the camera does not open.
    """
    camera.open()
    try:
        frames, stalls, picture = _take(camera, clock, within_s)
    finally:
        camera.close()
    if picture is None:
        return [
            bad(
                _ABOUT,
                f"no frame came from {camera.name}",
                "switch the power off first, then see that its ribbon is seated at both ends",
            )
        ]
    height, width = picture.shape[:2]
    lines = [good(_ABOUT, f"{camera.name} gives pictures of {width} x {height}")]
    if stalls:
        remedy = "watch the log for more; if it goes on, switch the power off first, then reseat its ribbon"
        lines.append(look(_ABOUT, f"{stalls} times no frame came for 2 s", remedy))
    return [*lines, *_rate(frames, frames_per_s), *picture_lines(picture)]


def _take(camera: Camera, clock: Clock, within_s: float) -> tuple[list[Frame], int, Rgb | None]:
    """Frames, how often none came for 2 s, and the large picture of the last."""
    frames: list[Frame] = []
    stalls, picture = 0, None
    deadline_s = clock.now().mono_s + within_s
    while len(frames) < FRAMES and clock.now().mono_s < deadline_s:
        try:
            frame = camera.read(2.0)
        except CameraStalledError:
            stalls += 1
            continue
        except EndOfFramesError:
            break
        frames.append(frame)
        if len(frames) == FRAMES or picture is None:
            picture = frame.large()
    return frames, stalls, picture


def _rate(frames: Sequence[Frame], wanted: float | None) -> Sequence[Finding]:
    """By the times that the frames bear."""
    times_s = [frame.mono_s for frame in frames[1:]]  # the first may be late: the sensor is starting
    gaps_s = [later - earlier for earlier, later in pairwise(times_s)]
    if not gaps_s or sum(gaps_s) <= 0:
        return [look(_ABOUT, "too few frames to tell how many come in a second", "let the survey run again")]
    rate = len(gaps_s) / sum(gaps_s)
    text = f"{rate:.1f} frames a second, the longest wait {max(gaps_s):.2f} s, usually {median(gaps_s):.2f} s"
    if wanted is None or rate >= 0.9 * wanted:
        return [good(_ABOUT, text)]
    remedy = "ask for fewer frames_per_s or a smaller picture; in the dark exposures are longer"
    return [(look if rate >= 0.5 * wanted else bad)(_ABOUT, f"{text}, {wanted:g} were asked for", remedy)]


def picture_lines(picture: Rgb) -> Sequence[Finding]:
    """Sharpness and exposure of a picture, uint8 of shape (H, W, 3)."""
    grey = Image.fromarray(picture).convert("L")
    levels = np.asarray(grey)
    lines = []
    value = sharpness(levels)
    if value < _BLURRED:
        remedy = "wipe the window, focus on the feeder, and see that nothing stands close to the lens"
        lines.append(look("focus", f"the picture is soft (sharpness {value:.0f})", remedy))
    else:
        lines.append(good("focus", f"the picture has detail (sharpness {value:.0f})"))
    dark, burnt = float(np.mean(levels <= 8)), float(np.mean(levels >= 250))
    text = f"mean level {levels.mean():.0f} of 255, {dark:.0%} black, {burnt:.0%} white"
    if levels.mean() < 25 or dark > 0.5:
        lines.append(look("exposure", f"too dark: {text}", "take off the cover, or come back by daylight"))
    elif levels.mean() > 230 or burnt > 0.3:
        lines.append(look("exposure", f"too bright: {text}", "turn the camera away from the sun and sky"))
    else:
        lines.append(good("exposure", text))
    return lines
