"""A classifier that says what a script says, for tests, rehearsals and machines without a model."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from dooryard.classify import crop, sightings
from dooryard.classify.card import ModelCard
from dooryard.classify.labels import GROUPS
from dooryard.core.records import Box, Frame, Naming, Picture, Sighting

Script = Callable[[int, Box], Mapping[str, float]]
"""(frame number, box) -> group -> probability; groups that are left out are 0."""

SpeciesScript = Callable[[int, Box], Sequence[Naming]]
"""(frame number, box) -> what may be told, best first."""


def _no_species(_frame: int, _box: Box) -> Sequence[Naming]:
    return ()


class FakeClassifier:
    """Asks `script` who is there. Pictures and sharpness are real, features there are none."""

    card = ModelCard(
        name="scripted",
        model="none",
        model_sha256="",
        labels="none",
        labels_sha256="",
        input_name="none",
        side_px=224,
        normalisation=None,
        logits="none",
        classes=len(GROUPS),
    )

    def __init__(self, script: Script, species: SpeciesScript = _no_species) -> None:
        self._script = script
        self._species = species
        self.looked_at: list[tuple[int, Box]] = []
        """Every (frame number, box) so far, in order."""

    @property
    def identity(self) -> str:
        return repr(self.card)

    def look(self, frame: Frame, boxes: Sequence[Box]) -> tuple[Sighting, ...]:
        sightings.check(boxes)
        if not boxes:
            return ()
        pixels = sightings.lasting(frame)
        self.looked_at.extend((frame.number, box) for box in boxes)
        return tuple(
            Sighting(
                frame=frame.number,
                wall=frame.wall,
                mono_s=frame.mono_s,
                box=box,
                groups=dict.fromkeys(GROUPS, 0.0) | dict(self._script(frame.number, box)),
                species=tuple(self._species(frame.number, box)),
                sharpness=crop.sharpness_at(pixels, box, frame.exposure.gain, self.card.side_px),
                picture=Picture(frame.number, frame.wall, pixels, box),
            )
            for box in boxes
        )

    def warm_up(self) -> None:
        """Nothing is slow here."""
