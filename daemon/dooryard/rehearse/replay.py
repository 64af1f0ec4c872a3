"""Recorded frames through the daemon's own pipeline, by the frames' own clock. Nothing is stored or told.

Several sets of rules can go side by side: each frame is then read once, each place in it looked at once,
and what one set decides doesn't depend on the others. All begins as at the first start of a box, and nobody
was seen before. Where temperatures were recorded, the policy's heat steps act: frames are left out, places
looked at less often, and while the camera would be off or the box halted, no frame is seen.
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import NamedTuple

from PIL import Image

from dooryard import pipeline
from dooryard.camera.base import Camera, CameraStalledError, EndOfFramesError
from dooryard.classify.base import Classifier
from dooryard.core.effects import (
    BackgroundSample,
    ClassifyRequest,
    Effect,
    Nobody,
    Record,
    Rest,
    StillHere,
    Update,
)
from dooryard.core.errors import CameraError
from dooryard.core.rate_limit import in_turn
from dooryard.core.records import Absent, Box, Frame, Moment, Picture, Visit
from dooryard.health.state import HealthState, advance, throttle_now
from dooryard.health.thermal import Throttle
from dooryard.health.throttle import throttled_conditions
from dooryard.pipeline import Conditions, State
from dooryard.policy.absence_text import absence_alert
from dooryard.policy.say import still_here
from dooryard.policy.state import PolicyState
from dooryard.rehearse.recorded import Readings
from dooryard.rehearse.records import Rehearsal, RehearsedVisit
from dooryard.sensors.filter import Sample
from dooryard.site.site_model import place_for
from dooryard.tracking.visits import VisitsState

OnFrame = Callable[[Frame], None]
PICTURE_WIDTH = 480

READ_EVERY_S = 60.0  # silence of the sensors is noticed this often

_READ_S = 1.0
_SALT = b"rehearsal"  # fixed, so that a second rehearsal names the visits as the first did


@dataclass(frozen=True, slots=True)
class _Played:
    """How far a recording was played."""

    first: Moment | None = None
    last: Moment | None = None
    frames: int = 0


class _Due(NamedTuple):
    """What sensors said since the last time, and how often each is read."""

    samples: Mapping[str, Sample]
    paces_s: Mapping[str, float]


@dataclass(slots=True)
class _Side:
    """One set of rules and what came of it so far."""

    conditions: Conditions
    pictures: bool
    state: State
    seen: dict[str, RehearsedVisit] = field(default_factory=dict)
    looks: int = 0
    nobody: int = 0
    rests: list[tuple[datetime, datetime]] = field(default_factory=list)
    resting_since: datetime | None = None
    notes: list[str] = field(default_factory=list)
    health: HealthState = field(default_factory=HealthState)
    throttle: Throttle = field(default_factory=Throttle)
    news: list[tuple[datetime, str]] = field(default_factory=list)
    absences: list[tuple[datetime, str]] = field(default_factory=list)
    next_frame_s: float = -math.inf

    def take(self, frame: Frame | None, classifier: Classifier, now: Moment) -> None:
        if self.off or (frame is not None and not self._in_turn(now)):
            return
        self.state, effects = pipeline.step(self.state, frame, self._rules(), now)
        self._do(effects, classifier, now)

    def wait(self, classifier: Classifier, now: Moment) -> None:
        """Let time pass, whether the camera is on or not."""
        self.state, effects = pipeline.waited(self.state, self.conditions, now)
        self._do(effects, classifier, now)

    @property
    def off(self) -> bool:
        return self.throttle.camera_off or self.throttle.halt

    def read(self, readings: _Due, classifier: Classifier, now: Moment) -> None:
        """Take in what the sensors said, and spare what the policy's steps then ask for."""
        policy, was_off, was_halted = self.conditions.policy, self.off, self.throttle.halt
        self.health, news = advance(
            self.health, policy, readings.samples, now.mono_s, paces_s=readings.paces_s
        )
        self.throttle = throttle_now(policy, self.health)
        if was_halted:  # a halted box stays halted
            self.throttle = replace(self.throttle, halt=True)
        else:
            self.news += [(now.wall, each.text) for each in news if each.kind != "sensor"]
        if self.off and not was_off:
            self.state, effects = pipeline.finish(self.state, self._rules(), now)
            self._do(effects, classifier, now)
        if self.off != was_off:
            self._rest(resting=self.off or not self.state.watching, now=now)

    def _in_turn(self, now: Moment) -> bool:
        """Whether a frame is seen, at the throttled rate."""
        if self.throttle.frames_per_s is None:
            return True
        turn, self.next_frame_s = in_turn(self.next_frame_s, now.mono_s, self.throttle.frames_per_s)
        return turn

    def _rules(self) -> Conditions:
        return throttled_conditions(self.conditions, self.throttle)

    def finish(self, classifier: Classifier, now: Moment) -> None:
        self.state, effects = pipeline.finish(self.state, self._rules(), now)
        self._do(effects, classifier, now)
        self._rest(resting=False, now=now)

    def _do(self, effects: Sequence[Effect], classifier: Classifier, now: Moment) -> None:
        for effect in effects:
            match effect:
                case ClassifyRequest(frame, boxes):
                    self.looks += len(boxes)
                    self._look(frame, boxes, classifier, now)
                case BackgroundSample(frame, box):
                    self._background_sample(frame, box, classifier)
                case Record(visit, decision) | Update(visit, decision):
                    known = self.seen.get(visit.id)
                    decided = known.decided if known else now
                    still = known.still if known else None
                    jpeg = self._jpeg(visit, known)
                    self.seen[visit.id] = RehearsedVisit(_bare(visit), decision, decided, jpeg, still)
                case StillHere(visit, decision):
                    text = still_here(self.conditions.policy, visit, decision)
                    self.seen[visit.id] = replace(self.seen[visit.id], still=(now.wall, text))
                case Nobody():
                    self.nobody += 1
                case Rest(resting):
                    self._rest(resting=resting, now=now)
                case Absent():
                    self._absent(effect, now)

    def _look(self, frame: Frame, boxes: tuple[Box, ...], classifier: Classifier, now: Moment) -> None:
        try:
            sightings = classifier.look(frame, boxes)
        except CameraError as error:  # as in the daemon: the next frame will tell
            self.notes.append(f"frame {frame.number}: {error.what}")
            return
        self.state, more = pipeline.looked(self.state, boxes, sightings, self._rules(), now)
        self._do(more, classifier, now)

    def _absent(self, told: Absent, now: Moment) -> None:
        rules = self.conditions
        alert = absence_alert(rules.policy, told, now, rules.clock_set, rules.sinks)
        if alert is not None:
            self.absences.append((now.wall, alert.text))

    def _background_sample(self, frame: Frame, box: Box, classifier: Classifier) -> None:
        try:
            (sighting,) = classifier.look(frame, (box,))
        except CameraError:  # as in the daemon: nobody waits for this one
            return
        self.state = pipeline.sampled(self.state, sighting)

    def _rest(self, *, resting: bool, now: Moment) -> None:
        if resting:
            self.resting_since = self.resting_since or now.wall
        elif self.resting_since is not None:
            self.rests.append((self.resting_since, now.wall))
            self.resting_since = None

    def _jpeg(self, visit: Visit, known: RehearsedVisit | None) -> bytes | None:
        if not self.pictures or visit.best is None:
            return known.jpeg if known else None
        return thumbnail(visit.best)


def replay(
    camera: Camera,
    classifier: Classifier,
    rules: Sequence[Conditions],
    *,
    pictures: bool = False,
    readings: Readings | None = None,
    on_frame: OnFrame | None = None,
) -> tuple[Rehearsal, ...]:
    """Play `camera` from its beginning to its end, once for all `rules`.

    Returns one rehearsal for each of `rules`; the names of recording and policy are the caller's to set.
    `pictures` keeps a small JPEG of each visit's best picture; `readings` are what sensors said. Raises
    what the camera and the classifier raise.
    """
    card = classifier.card
    fresh = State(
        VisitsState(salt=_SALT), PolicyState(), place=place_for(card.features_key, card.feature_count)
    )
    sides = [_Side(conditions, pictures, fresh) for conditions in rules]
    camera.open()
    try:
        played = _play(camera, classifier, sides, readings or Readings(()), on_frame)
    finally:
        camera.close()
    if played.last is not None:
        for side in sides:
            side.finish(classifier, played.last)
    return tuple(_rehearsal(side, played) for side in sides)


def _play(
    camera: Camera,
    classifier: Classifier,
    sides: Sequence[_Side],
    readings: Readings,
    on_frame: OnFrame | None,
) -> _Played:
    """All frames, each to every side."""
    played, read_s = _Played(), -math.inf
    while True:
        try:
            frame = camera.read(_READ_S)
        except CameraStalledError:
            frame = None
        except EndOfFramesError:
            return played
        if frame is not None:
            now = Moment(frame.wall, frame.mono_s)
            played = _Played(played.first or now, now, played.frames + 1)
        if played.last is None:
            continue
        samples = readings.due(played.last)
        to_read = bool(samples) or (readings.any and played.last.mono_s - read_s >= READ_EVERY_S)
        read_s = played.last.mono_s if to_read else read_s
        for side in sides:
            if to_read:
                side.read(_Due(samples, readings.paces_s), classifier, played.last)
            side.take(frame, classifier, played.last)
            side.wait(classifier, played.last)
        if frame is not None and on_frame is not None:
            on_frame(frame)


def thumbnail(picture: Picture, width: int = PICTURE_WIDTH) -> bytes:
    """The picture as a small JPEG, `width` pixels wide at most."""
    image = Image.fromarray(picture.pixels)
    image.thumbnail((width, width))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=80)
    return out.getvalue()


def _bare(visit: Visit) -> Visit:
    return replace(visit, best=None)


def _note_on_newness(side: _Side) -> Iterator[str]:
    rules = [rule.name for rule in side.conditions.policy.rule if rule.new or rule.unseen_days is not None]
    if rules:
        names = " and ".join(f'"{name}"' for name in rules)
        yield f"nobody counts as seen before the recording began, so more is new to {names} than on the box"


def _rehearsal(side: _Side, played: _Played) -> Rehearsal:
    seen = sorted(side.seen.values(), key=lambda each: (each.visit.start.mono_s, each.visit.id))
    return Rehearsal(
        recording="",
        policy_file="",
        policy=side.conditions.policy,
        first=played.first.wall if played.first else None,
        last=played.last.wall if played.last else None,
        frames=played.frames,
        looks=side.looks,
        nobody=side.nobody,
        seen=tuple(seen),
        rests=tuple(side.rests),
        notes=(*_note_on_newness(side), *side.notes),
        heat=tuple(side.news),
        absences=tuple(side.absences),
    )
