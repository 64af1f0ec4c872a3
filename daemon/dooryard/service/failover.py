"""The classifier as the loop uses it: while it fails, the watch goes on without names. Edge.

What moves is then taken down as "something that moved" (`records.SOMETHING`): the gate alone saw it. That is
as good as the gate is: it tells no visitor from a branch that moved for good, and knows nobody from nobody.
The failure is told once; the classifier is warmed up again after growing waits, and the first look that
works after that ends the trouble, which is told too.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import cast

from dooryard.classify import crop, sightings
from dooryard.classify.base import Classifier
from dooryard.classify.card import ModelCard
from dooryard.core.errors import CameraError, ModelError
from dooryard.core.log import say
from dooryard.core.records import Box, Frame, Moment, Picture, Sighting
from dooryard.core.wording import duration
from dooryard.site.site_model import SiteModel
from dooryard.teaching.feedback import AT_ONCE, Feedback, Trainable

_log = logging.getLogger("dooryard")
TRY_AGAIN_S = (60.0, 120.0, 300.0, 900.0)  # waits between tries; the last repeats
STEADY_S = (
    3600.0  # having worked for so long, the waits begin again: one that comes and goes makes little noise
)
_SIDE_PX = 224  # of the crop whose sharpness is measured, as the built-in model's
_NO_MODEL = ModelCard("none", "none", "", "none", "", "none", _SIDE_PX, None, "none", 0)


class LateClassifier:
    """Stands in for a classifier that could not be made, and makes it when it is warmed up."""

    def __init__(self, make: Callable[[], Classifier], error: ModelError) -> None:
        self._make = make
        self._error = error
        self.made: Classifier | None = None

    @property
    def card(self) -> ModelCard:
        return self.made.card if self.made else _NO_MODEL

    @property
    def identity(self) -> str:
        return self.made.identity if self.made else "none"

    def look(self, frame: Frame, boxes: Sequence[Box]) -> tuple[Sighting, ...]:
        if self.made is None:
            raise self._error
        return self.made.look(frame, boxes)

    def warm_up(self) -> None:
        """Try to make it. Raises ModelError while that fails."""
        if self.made is None:
            self.made = self._make()
        self.made.warm_up()


class _LateFeedback(Feedback):
    """Begins once the classifier has been made: what is known of the place, and then what people said."""

    def __init__(
        self, state_folder: Path, late: LateClassifier, known: Callable[[ModelCard], SiteModel | None]
    ) -> None:
        super().__init__(state_folder, cast("Trainable", late))
        self._late: LateClassifier | None = late
        self._known = known

    def take_in(self, place: SiteModel | None, at_once: int = AT_ONCE) -> SiteModel | None:
        late = self._late
        if late is not None:
            if late.made is None:
                return place
            self._late, self.trainable = None, cast("Trainable", late.made)
            return self._known(late.card)
        return super().take_in(place, at_once)


def feedback_of(
    state_folder: Path, classifier: Trainable | LateClassifier, known: Callable[[ModelCard], SiteModel | None]
) -> Feedback:
    """What people's words teach `classifier`; `known` gives what is stored of the place for a card."""
    if isinstance(classifier, LateClassifier):
        return _LateFeedback(state_folder, classifier, known)
    return Feedback(state_folder, classifier)


class Sight:
    """Looks with `classifier`, and without it while that fails. `tell` takes a kind, a text and the time."""

    def __init__(self, classifier: Classifier, tell: Callable[[str, str, Moment], None]) -> None:
        self._classifier = classifier
        self._tell = tell
        self._away_since_s: float | None = None
        self._back_s = float("-inf")
        self._tries = 0
        self._try_at_s = 0.0
        self._on_trial = False  # warmed up again; the next look shows whether it works

    @property
    def away(self) -> bool:
        """Whether it is known to fail."""
        return self._away_since_s is not None

    def look(self, frame: Frame, boxes: Sequence[Box], now: Moment) -> tuple[Sighting, ...] | None:
        """Return one sighting per box, without names while the classifier fails.

        None where the large picture cannot be had; that is said, and the next frame will tell.
        """
        try:
            return self._look(frame, boxes, now)
        except CameraError as error:
            say(_log, logging.WARNING, "no large picture", frame=frame.number, why=error.what)
            return None

    def _look(self, frame: Frame, boxes: Sequence[Box], now: Moment) -> tuple[Sighting, ...]:
        if not self.away or self._on_trial:
            try:
                found = self._classifier.look(frame, boxes)
            except ModelError as error:
                self._failed(error, now)
            else:
                self._works(now)
                return found
        return unnamed(frame, boxes)

    def background_sample(self, frame: Frame, box: Box, now: Moment) -> Sighting | None:
        """Look where nobody is; None while the classifier fails or there is no large picture."""
        found = self.look(frame, (box,), now)
        return found[0] if found and found[0].classified else None

    def try_again(self, now: Moment) -> None:
        """See, where it is time for it, whether the classifier can be used again."""
        if not self.away or self._on_trial or now.mono_s < self._try_at_s:
            return
        try:
            self._classifier.warm_up()
        except ModelError as error:
            self._failed(error, now)
        else:
            self._on_trial = True

    def _failed(self, error: ModelError, now: Moment) -> None:
        self._on_trial = False
        if not self.away and now.mono_s - self._back_s > STEADY_S:
            self._tries = 0
        self._try_at_s = now.mono_s + TRY_AGAIN_S[min(self._tries, len(TRY_AGAIN_S) - 1)]
        self._tries += 1
        if self._away_since_s is None:
            self._away_since_s = now.mono_s
            text = (
                f"the classifier fails: {error.what}; what moves has no name until it works ({error.remedy})"
            )
            self._tell("classifier", text, now)

    def _works(self, now: Moment) -> None:
        if self._away_since_s is None:
            return
        lasted_s = now.mono_s - self._away_since_s
        self._away_since_s, self._on_trial, self._back_s = None, False, now.mono_s
        self._tell("classifier", f"the classifier works again, after {duration(lasted_s)}", now)


def unnamed(frame: Frame, boxes: Sequence[Box]) -> tuple[Sighting, ...]:
    """What the gate let through, one sighting per box, with its picture and without a name."""
    sightings.check(boxes)
    if not boxes:
        return ()
    pixels = sightings.lasting(frame)
    return tuple(
        Sighting(
            frame=frame.number,
            wall=frame.wall,
            mono_s=frame.mono_s,
            box=box,
            groups={},
            species=(),
            sharpness=crop.sharpness_at(pixels, box, frame.exposure.gain, _SIDE_PX),
            picture=Picture(frame.number, frame.wall, pixels, box),
            classified=False,
        )
        for box in boxes
    )
