"""Does the classifier name a known picture right, and in time?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib import resources

import numpy as np
from PIL import Image

from dooryard.classify.base import Classifier
from dooryard.clock import Clock
from dooryard.records import Box, Frame, Rgb
from dooryard.survey.lines import Line, bad, good, look

KNOWN, EXPECTS = "squirrel.png", "squirrel"
SLOW_S = 1.0  # one look; visits are decided after a second and a half (see the box file's visit.settle_s)


def known_picture() -> Rgb:
    """The squirrel of the simulated garden on plain grass green; uint8 of shape (480, 640, 3)."""
    file = resources.files("dooryard.camera.garden") / "media" / KNOWN
    with file.open("rb") as opened, Image.open(opened) as image:
        sprite = image.convert("RGBA").resize((300, round(300 * image.height / image.width)))
    canvas = Image.new("RGBA", (640, 480), (96, 128, 72, 255))
    canvas.alpha_composite(sprite, ((640 - sprite.width) // 2, (480 - sprite.height) // 2))
    return np.asarray(canvas.convert("RGB"))


def model_lines(
    load: Callable[[], Classifier], clock: Clock, *, slow_s: float = SLOW_S, looks: int = 5
) -> Sequence[Line]:
    """Load the model and let it look at the known picture. Raises ModelError, with its remedy."""
    classifier = load()
    classifier.warm_up()
    picture = known_picture()
    now = clock.now()
    frame = Frame(1, now.wall, now.mono_s, picture[..., 1], lambda: picture)
    took_s = []
    for _ in range(looks):
        begun_s = clock.now().mono_s
        (sighting,) = classifier.look(frame, [Box(0.26, 0.15, 0.74, 0.85)])
        took_s.append(clock.now().mono_s - begun_s)
    slowest_s = max(took_s)
    best = max(sighting.groups, key=lambda group: sighting.groups[group], default="nobody")
    sure = sighting.groups.get(best, 0.0)
    lines = []
    if best == EXPECTS:
        lines.append(good("model", f"it takes the known squirrel for a squirrel ({sure:.2f})"))
    else:
        remedy = "install the package again; if the model is your own, see that it knows squirrels"
        lines.append(bad("model", f"it takes the known squirrel for {best!r} ({sure:.2f})", remedy))
    text = f"one look takes {slowest_s * 1000:.0f} ms at most"
    if slowest_s <= slow_s:
        lines.append(good("model", text))
    else:
        lines.append(look("model", text, "give it more threads, let it look less often, or cool the board"))
    return lines
