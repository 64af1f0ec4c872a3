"""What the classifier said of a recording, kept beside it, so that a second rehearsal is quick.

The file ``.dooryard-answers-MODEL.npz`` stands in the recording's folder. MODEL is a digest of the models'
cards (which have the digests of networks and labels), of what was taught, of the birds that may be told and
of this program's classifying code, so that another model or another version never gets these answers.
Within it an answer is found by a digest of the frame's small grey picture, its number, its time and its
gain, and of the box: a frame that was changed or a box that moved by a hair is looked at again.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from dooryard import classify
from dooryard.classify import sightings
from dooryard.classify.base import Classifier
from dooryard.classify.card import ModelCard
from dooryard.core.records import Box, Features, Frame, Naming, Picture, Rgb, Sighting

VERSION = 2
_DAMAGE = (OSError, ValueError, KeyError, TypeError, IndexError, EOFError, zipfile.BadZipFile)


@dataclass(frozen=True, slots=True, eq=False)
class CachedSighting:
    """A sighting without what its frame and its box say already."""

    groups: dict[str, float]
    species: tuple[Naming, ...]
    unlisted: tuple[Naming, ...]
    sharpness: float
    features: Features | None


class RememberingClassifier:
    """Asks `classifier` only what it was not asked before.

    `pictures` False: sightings carry an empty picture of one pixel, and the large picture of a frame is
    not decoded for an answer that is known.
    """

    def __init__(self, classifier: Classifier, answers: dict[str, CachedSighting], *, pictures: bool) -> None:
        self._classifier = classifier
        self.answers = answers
        self._pictures = pictures
        self._pixels: tuple[int, Rgb] | None = None  # of the last frame that was looked at
        self.asked = 0
        """How many boxes the classifier itself was asked about."""

    @property
    def card(self) -> ModelCard:
        return self._classifier.card

    @property
    def identity(self) -> str:
        return self._classifier.identity

    def warm_up(self) -> None:
        self._classifier.warm_up()

    def look(self, frame: Frame, boxes: Sequence[Box]) -> tuple[Sighting, ...]:
        sightings.check(boxes)
        keys = [key_of(frame, box) for box in boxes]
        new = [box for key, box in zip(keys, boxes, strict=True) if key not in self.answers]
        fresh = self._classifier.look(frame, new) if new else ()
        self.asked += len(new)
        for box, sighting in zip(new, fresh, strict=True):
            self._pixels = (frame.number, sighting.picture.pixels)
            self.answers[key_of(frame, box)] = CachedSighting(
                groups={group: float(chance) for group, chance in sighting.groups.items()},
                species=sighting.species,
                unlisted=sighting.unlisted,
                sharpness=float(sighting.sharpness),
                features=sighting.features,
            )
        return tuple(
            self._sighting(frame, box, self.answers[key]) for key, box in zip(keys, boxes, strict=True)
        )

    def _sighting(self, frame: Frame, box: Box, answer: CachedSighting) -> Sighting:
        return Sighting(
            frame=frame.number,
            wall=frame.wall,
            mono_s=frame.mono_s,
            box=box,
            groups=answer.groups,
            species=answer.species,
            unlisted=answer.unlisted,
            sharpness=answer.sharpness,
            picture=Picture(frame.number, frame.wall, self._large(frame), box),
            features=answer.features,
        )

    def _large(self, frame: Frame) -> Rgb:
        if not self._pictures:
            return _NO_PIXELS
        if self._pixels is None or self._pixels[0] != frame.number:
            self._pixels = (frame.number, sightings.lasting(frame))
        return self._pixels[1]


_NO_PIXELS: Rgb = np.zeros((1, 1, 3), dtype=np.uint8)
_NO_PIXELS.setflags(write=False)


def key_of(frame: Frame, box: Box) -> str:
    """What an answer is found by: see the top of this file."""
    digest = hashlib.blake2b(frame.luma.tobytes(), digest_size=16)
    about = (frame.number, frame.wall.isoformat(), frame.exposure.gain, *map(float, box))
    digest.update(repr(about).encode())
    return digest.hexdigest()


def file_name(classifier: Classifier) -> str:
    """The name of the file of this classifier's answers, by this version of the classifying code."""
    digest = hashlib.sha256(classifier.identity.encode())
    for folder in classify.__path__:
        for source in sorted(Path(folder).glob("*.py")):
            digest.update(source.read_bytes())
    return f".dooryard-answers-{digest.hexdigest()[:12]}.npz"


def load(path: Path) -> tuple[dict[str, CachedSighting], str | None]:
    """The answers in a file, none if there is no such file; and what is wrong with it, if anything is."""
    if not path.exists():
        return {}, None
    try:
        with path.open("rb") as opened, np.load(opened, allow_pickle=False) as file:
            about = json.loads(file["about"].tobytes())
            features = file["features"]
        if about["version"] != VERSION:
            raise ValueError(f"version {about['version']!r}, not {VERSION}")
        return {row["key"]: _answer(row, features) for row in about["answers"]}, None
    except _DAMAGE as damage:
        return {}, f"{path.name} cannot be read and is rebuilt ({type(damage).__name__}: {damage})"


def save(path: Path, answers: dict[str, CachedSighting]) -> str | None:
    """Write the answers, whole or not at all. Returns why they could not be written, or None."""
    vectors: list[Features] = []
    rows: list[dict[str, Any]] = []
    for key, answer in answers.items():
        row: dict[str, Any] = {"key": key, "groups": answer.groups, "species": _rows(answer.species)}
        row |= {"unlisted": _rows(answer.unlisted), "sharpness": answer.sharpness, "features": None}
        if answer.features is not None:
            row["features"] = len(vectors)
            vectors.append(answer.features)
        rows.append(row)
    about = json.dumps({"version": VERSION, "answers": rows}).encode()
    features = np.stack(vectors) if vectors else np.zeros((0, 0), dtype=np.float32)
    temp = path.with_name(f"{path.name}.{os.getpid()}.tmp")  # two rehearsals may save at once
    try:
        with temp.open("wb") as file:
            np.savez_compressed(file, about=np.frombuffer(about, dtype=np.uint8), features=features)
        temp.replace(path)
    except OSError as error:
        temp.unlink(missing_ok=True)
        return f"the classifier's answers are not kept: {path.parent}: {error.strerror or error}"
    return None


def _rows(namings: Sequence[Naming]) -> list[list[Any]]:
    return [[n.group, float(n.probability), n.species, n.scientific] for n in namings]


def _answer(row: dict[str, Any], features: Features) -> CachedSighting:
    species, unlisted = (
        tuple(Naming(group, chance, name, latin) for group, chance, name, latin in row[key])
        for key in ("species", "unlisted")
    )
    at = row["features"]
    return CachedSighting(
        row["groups"], species, unlisted, row["sharpness"], None if at is None else features[at]
    )
