"""Recorded frames through the daemon's own pipeline, by the frames' own clock. Nothing is stored or told.

Several sets of rules can go side by side: each frame is then read once, and each place in it looked at
once, however many ask. What a set of rules decides doesn't depend on the others beside it.

The gate and the visits begin afresh, as at the first start of a box; so do cooldowns and caps.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

from PIL import Image

from dooryard import pipeline
from dooryard.camera.base import Camera, CameraStalledError, EndOfFramesError
from dooryard.classify.base import Classifier
from dooryard.effects import Effect, Look, Nobody, Record, Rest, Update
from dooryard.errors import CameraError
from dooryard.pipeline import Conditions, State
from dooryard.policy.state import PolicyState
from dooryard.records import Box, Frame, Moment, Picture, Visit
from dooryard.rehearse.records import Rehearsal, Seen
from dooryard.visits import VisitsState

OnFrame = Callable[[Frame], None]
PICTURE_WIDTH = 480

_READ_S = 1.0
_SALT = b"rehearsal"  # fixed, so that a second rehearsal names the visits as the first did


@dataclass(slots=True)
class _Side:
    """One set of rules and what came of it so far."""

    conditions: Conditions
    pictures: bool
    state: State = field(default_factory=lambda: State(VisitsState(salt=_SALT), PolicyState()))
    seen: dict[str, Seen] = field(default_factory=dict)
    looks: int = 0
    nobody: int = 0
    rests: list[tuple[datetime, datetime]] = field(default_factory=list)
    resting_since: datetime | None = None
    notes: list[str] = field(default_factory=list)

    def take(self, frame: Frame | None, classifier: Classifier, now: Moment) -> None:
        self.state, effects = pipeline.step(self.state, frame, self.conditions, now)
        self._do(effects, classifier, now)

    def finish(self, classifier: Classifier, now: Moment) -> None:
        self.state, effects = pipeline.finish(self.state, self.conditions, now)
        self._do(effects, classifier, now)
        self._rest(resting=False, now=now)

    def _do(self, effects: Sequence[Effect], classifier: Classifier, now: Moment) -> None:
        for effect in effects:
            match effect:
                case Look(frame, boxes):
                    self.looks += len(boxes)
                    self._look(frame, boxes, classifier, now)
                case Record(visit, decision) | Update(visit, decision):
                    known = self.seen.get(visit.id)
                    decided = known.decided if known else now
                    self.seen[visit.id] = Seen(_bare(visit), decision, decided, self._jpeg(visit, known))
                case Nobody():
                    self.nobody += 1
                case Rest(resting):
                    self._rest(resting=resting, now=now)

    def _look(self, frame: Frame, boxes: tuple[Box, ...], classifier: Classifier, now: Moment) -> None:
        try:
            sightings = classifier.look(frame, boxes)
        except CameraError as error:  # as in the daemon: the next frame will tell
            self.notes.append(f"frame {frame.number}: {error.what}")
            return
        self.state, more = pipeline.looked(self.state, boxes, sightings, self.conditions, now)
        self._do(more, classifier, now)

    def _rest(self, *, resting: bool, now: Moment) -> None:
        if resting:
            self.resting_since = now.wall
        elif self.resting_since is not None:
            self.rests.append((self.resting_since, now.wall))
            self.resting_since = None

    def _jpeg(self, visit: Visit, known: Seen | None) -> bytes | None:
        if not self.pictures or visit.best is None:
            return known.jpeg if known else None
        return thumbnail(visit.best)


def replay(
    camera: Camera,
    classifier: Classifier,
    rules: Sequence[Conditions],
    *,
    pictures: bool = False,
    on_frame: OnFrame | None = None,
) -> tuple[Rehearsal, ...]:
    """Play `camera` from its beginning to its end, once for all `rules`.

    Returns one rehearsal for each of `rules`; the names of recording and policy are the caller's to set.
    `pictures` keeps a small JPEG of each visit's best picture. Raises what the camera and the classifier
    raise.
    """
    sides = [_Side(conditions, pictures) for conditions in rules]
    first: Moment | None = None
    now: Moment | None = None
    frames = 0
    camera.open()
    try:
        while True:
            frame = _next(camera)
            if frame is not None:
                frames += 1
                now = Moment(frame.wall, frame.mono_s)
                first = first or now
            if now is None:
                continue
            for side in sides:
                side.take(frame, classifier, now)
            if frame is not None and on_frame is not None:
                on_frame(frame)
    except EndOfFramesError:
        pass  # the one way in which a recording ends
    finally:
        camera.close()
    for side in sides:
        if now is not None:
            side.finish(classifier, now)
    walls = (first.wall if first else None, now.wall if now else None)
    return tuple(_rehearsal(side, walls, frames) for side in sides)


def thumbnail(picture: Picture, width: int = PICTURE_WIDTH) -> bytes:
    """The picture as a small JPEG, `width` pixels wide at most."""
    image = Image.fromarray(picture.pixels)
    image.thumbnail((width, width))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()


def _next(camera: Camera) -> Frame | None:
    try:
        return camera.read(_READ_S)
    except CameraStalledError:
        return None


def _bare(visit: Visit) -> Visit:
    return replace(visit, best=None)


def _rehearsal(side: _Side, walls: tuple[datetime | None, datetime | None], frames: int) -> Rehearsal:
    seen = sorted(side.seen.values(), key=lambda each: (each.visit.start.mono_s, each.visit.id))
    return Rehearsal(
        recording="",
        policy_file="",
        policy=side.conditions.policy,
        first=walls[0],
        last=walls[1],
        frames=frames,
        looks=side.looks,
        nobody=side.nobody,
        seen=tuple(seen),
        rests=tuple(side.rests),
        notes=tuple(side.notes),
    )
