"""Does the classifier name a known picture right, and in time?"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from dooryard.classify.base import Classifier
from dooryard.core.clock import Clock
from dooryard.core.records import Frame
from dooryard.survey import drawn
from dooryard.survey.lines import Finding, bad, good, look

EXPECTS = "bird"
SLOW_S = 1.0  # one look; visits are decided after a second and a half (see the box file's visit.settle_s)


def model_lines(
    load: Callable[[], Classifier], clock: Clock, *, slow_s: float = SLOW_S, looks: int = 5
) -> Sequence[Finding]:
    """Load the model and let it look at the drawn bird. Raises ModelError, with its remedy."""
    classifier = load()
    classifier.warm_up()
    picture = drawn.bird()
    now = clock.now()
    frame = Frame(1, now.wall, now.mono_s, picture[..., 1], lambda: picture)
    took_s = []
    for _ in range(looks):
        begun_s = clock.now().mono_s
        (sighting,) = classifier.look(frame, [drawn.WHERE])
        took_s.append(clock.now().mono_s - begun_s)
    slowest_s = max(took_s)
    best = max(sighting.groups, key=lambda group: sighting.groups[group], default="nobody")
    sure = sighting.groups.get(best, 0.0)
    lines = []
    if best == EXPECTS:
        lines.append(good("model", f"it takes the drawn bird for a bird ({sure:.2f})"))
    else:
        remedy = "install the package again; if the model is your own, see that it knows birds"
        lines.append(bad("model", f"it takes the drawn bird for {best!r} ({sure:.2f})", remedy))
    text = f"one look takes {slowest_s * 1000:.0f} ms at most"
    if slowest_s <= slow_s:
        lines.append(good("model", text))
    else:
        lines.append(look("model", text, "give it more threads, let it look less often, or cool the board"))
    return lines
