"""What people said of visits, and the pictures in the album, become what the classifier knows. Edge.

"It was a wren": the visit's picture goes into the album (`classify.album`) under that name, and "wren" can
be told from then on. "Nobody was there": the picture's features join the place's memory (`place`). What is
taken back leaves the album and the memory.

A few pictures are taken in at a time, since each costs as much as a look: the rest waits for the next time.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from dooryard.classify.card import ModelCard
from dooryard.classify.taught import NamedPicture, Taught, teach
from dooryard.core.errors import ConfigError
from dooryard.core.log import say
from dooryard.core.records import Box, Features, NegativeSample, Rgb
from dooryard.history.database import AnnotationDatabase
from dooryard.history.entries import Entry, Kind, Said
from dooryard.history.entries import Mark as Remark
from dooryard.history.reader import Reader
from dooryard.imaging.jpeg import subject_of
from dooryard.site import site_model
from dooryard.site.site_model import SiteModel
from dooryard.teaching import album
from dooryard.teaching.album import Example

AT_ONCE = 8
_FROM_VISIT = "visit-"  # begins the name of a picture that a mark put into the album
_WHOLE_PX = 8192
_log = logging.getLogger("dooryard")


class Trainable(Protocol):
    """A classifier that can be taught: see `classify.onnx.OnnxClassifier`."""

    taught: Taught | None

    @property
    def card(self) -> ModelCard: ...

    @property
    def teaching_model(self) -> str: ...

    @property
    def teaching_features(self) -> int: ...

    def embed(self, pixels: Rgb, box: Box, gain: float | None = None) -> Features | None: ...

    def place_features(self, pixels: Rgb, box: Box, gain: float | None = None) -> Features | None: ...


@dataclass(slots=True)
class Feedback:
    """Teaches `trainable` from one state folder."""

    state_folder: Path
    trainable: Trainable
    _bad: set[str] = field(default_factory=set)  # pictures that gave no features
    _done: object = None  # what had been said, and what was in the album, when all had been taken in

    def take_in(self, place: SiteModel | None, at_once: int = AT_ONCE) -> SiteModel | None:
        """Take in what is new, `at_once` pictures at most. Returns the place with what it learned.

        Raises StoreError when the folder cannot be read, ConfigError for an album that is not in order.
        """
        with contextlib.closing(AnnotationDatabase(self.state_folder)) as database:
            marks = database.marks()
            found = self._seen(marks)
            if found == self._done:
                return place
            rest = at_once
            with contextlib.closing(Reader(self.state_folder, {})) as reader:
                said = database.said()
                rest -= self._file(reader, said, rest)
                place, learned = self._learn(reader, place, marks, said, rest)
            overruled = {
                mark.seq for mark in marks if mark.kind is Kind.NOBODY and not said[mark.visit].nobody
            }
            place = site_model.corrected(place, overruled | database.taken_back()) if place else None
        rest -= learned
        rest -= teach_from_album(self.state_folder, self.trainable, rest, self._bad)
        self._done = self._seen(marks) if rest > 0 else None
        return place

    def _seen(self, marks: list[Remark]) -> object:
        pictures = album.examples(self.state_folder)
        return [(mark.seq, mark.kind) for mark in marks], [
            album.stamp(self.state_folder, x) for x in pictures
        ]

    def _file(self, reader: Reader, said: Mapping[str, Said], most: int) -> int:
        """Bring the album's pictures of visits in line with the marks; return how many were added."""
        there = {Path(each.picture).stem: each for each in album.examples(self.state_folder)}
        added = 0
        for visit, word in said.items():
            stem = f"{_FROM_VISIT}{visit}"
            entry = reader.entry(visit)
            wanted = _example(entry, word) if entry else None
            known = there.get(stem)
            if entry is not None and known is not None and known != wanted:
                self._untaught(known)
                known = None
            if entry is not None and wanted is not None and known is None and added < most:
                added += self._add(reader, entry, wanted)
        # A mark that was taken back leaves no trace in `said`; one on a visit that keeping removed stays.
        for stem, each in there.items():
            visit = stem.removeprefix(_FROM_VISIT)
            if stem.startswith(_FROM_VISIT) and visit not in said and reader.entry(visit) is not None:
                self._untaught(each)
        return added

    def _untaught(self, example: Example) -> None:
        album.take_back(self.state_folder, example.picture)
        say(_log, logging.INFO, "untaught", name=example.name, picture=example.picture)

    def _add(self, reader: Reader, entry: Entry, example: Example) -> bool:
        shown = _shown(reader, entry)
        if shown is None:
            return False
        album.add(self.state_folder, example, album.cut(*shown))
        say(_log, logging.INFO, "to be taught", name=example.name, visit=entry.id)
        return True

    def _learn(
        self,
        reader: Reader,
        place: SiteModel | None,
        marks: list[Remark],
        said: Mapping[str, Said],
        most: int,
    ) -> tuple[SiteModel | None, int]:
        """Learn from visits that were nobody, oldest mark first."""
        learned = 0
        for mark in marks:
            if place is None or learned >= most:
                break
            again = mark.seq in place.marks_left
            nobody = mark.kind is Kind.NOBODY and said[mark.visit].nobody
            if (mark.seq <= place.marks_seen and not again) or (again and not nobody):
                continue
            entry = reader.entry(mark.visit) if nobody else None
            shown = _shown(reader, entry) if entry else None
            features = self.trainable.place_features(*shown) if shown else None
            if shown is not None and features is not None:
                place = site_model.learned(place, [NegativeSample(shown[1], features, mark.seq)])
                learned += 1
            place = site_model.looked_at(place, mark.seq, stands=nobody or mark.kind is not Kind.NOBODY)
        return place, learned


def teach_from_album(
    state_folder: Path, trainable: Trainable, most: int | None = None, bad: set[str] | None = None
) -> int:
    """Bring what `trainable` was taught in line with the album; return how many pictures were looked at.

    At most `most` new pictures (None: all) are looked at. `bad` holds those that cannot be used, as they
    are now, and gets those that are found. Raises ConfigError for an album that is not in order.
    """
    bad = set() if bad is None else bad
    kept = album.known(state_folder, trainable.teaching_model, trainable.teaching_features)
    before = {mark.picture: mark for mark in kept}
    marks, looked = [], 0
    for example in album.examples(state_folder):
        stamp = album.stamp(state_folder, example)
        mark = before.get(stamp)
        if mark is None and stamp not in bad and (most is None or looked < most):
            looked += 1
            mark = _mark(state_folder, trainable, example, stamp)
            if mark is None:
                bad.add(stamp)
        if mark is not None:
            marks.append(mark._replace(name=example.name, group=example.group))
    if [mark.picture for mark in marks] != [mark.picture for mark in kept]:
        album.keep(state_folder, trainable.teaching_model, marks)
    trainable.taught = teach(tuple(marks)) if marks else None
    return looked


def _mark(state_folder: Path, trainable: Trainable, example: Example, stamp: str) -> NamedPicture | None:
    try:
        picture = album.pixels(state_folder / album.FOLDER / example.picture)
    except ConfigError as error:
        say(_log, logging.WARNING, "not taught", why=error.what, to_do=error.remedy)
        return None
    features = trainable.embed(picture, album.middle(picture))
    return None if features is None else NamedPicture(stamp, example.name, example.group, features)


def _example(entry: Entry, word: Said) -> Example | None:
    """Where in the album a visit's picture belongs, by what was said of it; None: nowhere."""
    visitor = word.visitor
    if visitor is None or visitor.species is None:
        return None
    group = visitor.group or entry.told.group
    return album.example(group, visitor.species, f"{_FROM_VISIT}{entry.id}.jpg")


def _shown(reader: Reader, entry: Entry) -> tuple[Rgb, Box] | None:
    """The visit's picture, and where in it the visitor is; None: the picture has gone."""
    if entry.picture is None:
        return None
    path = reader.pictures / entry.picture
    try:
        return album.pixels(path, _WHOLE_PX), subject_of(path) or entry.box
    except (ConfigError, OSError):  # the journal tells of pictures that cannot be read
        return None
