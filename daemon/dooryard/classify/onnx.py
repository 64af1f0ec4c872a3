"""The classifier that runs ONNX models: one says who, a second one may say which bird. The edge."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from dooryard.classify import crop, scores, sightings, species
from dooryard.classify.calibration import calibrated
from dooryard.classify.card import ModelCard
from dooryard.classify.network import REINSTALL, Network
from dooryard.classify.presence import leaning
from dooryard.classify.species import Classes, SpeciesAnswer
from dooryard.classify.taught import Taught, tell
from dooryard.core.errors import ModelError
from dooryard.core.records import Box, Features, Frame, Naming, Picture, Rgb, Sighting

log = logging.getLogger(__name__)

BUILT_IN = Path(__file__).parent / "models" / "lite0.toml"
BUILT_IN_BIRDS = BUILT_IN.with_name("birds.toml")
"""The card of the species model that comes with the package."""
ASK_WHICH_FROM = 0.3
"""Probability of a bird from which the species model is run: each run costs as much as a look."""


class OnnxClassifier:
    """Crops, runs the network once per box, and reads its answer.

    `card_path` names a model's card; None is the model that comes with the package. `species_card` names
    a second model that knows bird species and nothing else: it never says whether there is a bird, only
    which, and is asked only about what the first takes for one. `region` holds the scientific names that
    may be told at this place (None: all); it binds both models. Raises what `Network` raises; of the species
    model only unless it is `spare`: then birds are told without their names, and `trouble` says why.
    """

    def __init__(
        self,
        card_path: Path | None = None,
        *,
        threads: int = 1,
        species_card: Path | None = None,
        region: frozenset[str] | None = None,
        spare: bool = False,
    ) -> None:
        self._network = Network(card_path or BUILT_IN, threads=threads)
        cv2.setNumThreads(1)  # a crop is too small to share out, and idle threads cost heat
        self.trouble: ModelError | None = None
        """Why birds are told without their names; None: nothing is wrong."""
        self._which = self._species_model(species_card, threads, spare=spare)
        self._classes = Classes(self._which.labels, region) if self._which else None
        self._region = region
        self.card = self._network.card
        self.taught: Taught | None = None
        """What the owner taught; names are told beside the models'."""
        self.small_crops = 0
        """How many boxes so far were too small in the picture to be told with confidence."""

    def _species_model(self, card: Path | None, threads: int, *, spare: bool) -> Network | None:
        try:
            return Network(card, threads=threads) if card else None
        except ModelError as error:
            if not spare:
                raise
            self.trouble = error
            return None

    @property
    def species_card(self) -> ModelCard | None:
        """The card of the species model; None: there is none."""
        return self._which.card if self._which else None

    @property
    def teaching_model(self) -> str:
        """Names what the features that `embed` gives come of: marks made otherwise are of no use."""
        return (self._which or self._network).card.features_key

    @property
    def teaching_features(self) -> int:
        """How many numbers `embed` gives; 0: this model cannot be taught."""
        return (self._which or self._network).card.feature_count

    @property
    def identity(self) -> str:
        """All that its answers depend on, beside the frame and the box."""
        which = self._which.card if self._which else None
        region = sorted(self._region) if self._region is not None else None
        marks = [(mark.picture, mark.name) for mark in self.taught.marks] if self.taught else []
        return repr((crop.EDITION, self.card, which, region, marks))

    def look(self, frame: Frame, boxes: Sequence[Box]) -> tuple[Sighting, ...]:
        sightings.check(boxes)
        if not boxes:
            return ()
        pixels = sightings.lasting(frame)
        return tuple(self._sighting(frame, pixels, box) for box in boxes)

    def embed(self, pixels: Rgb, box: Box, gain: float | None = None) -> Features | None:
        """Return the features that teaching uses, (D,) float32; None where the model gives none."""
        network = self._which or self._network
        part = self._prepared(pixels, box, gain)
        return network.answer(self._planes(network, part, pixels, box, gain))[1]

    def place_features(self, pixels: Rgb, box: Box, gain: float | None = None) -> Features | None:
        """Return the features that the site memory uses, the same as `Sighting.features`."""
        return self._network.answer(self._prepared(pixels, box, gain).planes)[1]

    def answer(self, planes: crop.Planes) -> tuple[NDArray[np.float32], NDArray[np.float32] | None]:
        """Return the first network's logits (C,) and features (D,), if any, for one crop's `planes`."""
        return self._network.answer(planes)

    def leaning(self, features: NDArray[np.float32] | None) -> float:
        """How far the first network's `features` (D,) lean towards somebody; 0: its card cannot tell."""
        plane = self._network.presence
        return 0.0 if plane is None or features is None else leaning(plane, features)

    def warm_up(self) -> None:
        """Run each network once, so that the first visitor does not wait for its set-up."""
        for network in (self._network, self._which):
            if network is not None:
                network.warm_up()

    def _sighting(self, frame: Frame, pixels: Rgb, box: Box) -> Sighting:
        gain = frame.exposure.gain
        part = self._prepared(pixels, box, gain)
        if part.window.small:
            self._note_small(frame)
        logits, features = self._network.answer(part.planes)
        groups, named = self._read(logits, features)
        seen, told = features, SpeciesAnswer()
        if self._which is not None and self._classes is not None:
            seen = None
            if groups["bird"] >= ASK_WHICH_FROM:
                answer, seen = self._which.answer(self._planes(self._which, part, pixels, box, gain))
                told = species.told(answer, self._classes, self._which.card.names)
        return Sighting(
            frame=frame.number,
            wall=frame.wall,
            mono_s=frame.mono_s,
            box=box,
            groups=groups,
            species=species.merged((*named, *told.listed), self._taught_name(seen)),
            unlisted=told.unlisted,
            sharpness=part.sharpness,
            picture=Picture(frame.number, frame.wall, pixels, box),
            features=features,
        )

    def _read(
        self, logits: NDArray[np.float32], features: NDArray[np.float32] | None
    ) -> tuple[Mapping[str, float], tuple[Naming, ...]]:
        """The groups' probabilities and the species that may be told, by the first network."""
        try:
            reading = scores.read(logits, self._network.labels)
        except ValueError as error:
            raise ModelError(f"{self.card.model}: {error}", REINSTALL) from error
        named = species.within(reading.species, self._region)
        if self.card.evidence is None:
            return reading.groups, named
        return calibrated(reading.totals, self.card.evidence, self.leaning(features)), named

    def _taught_name(self, features: Features | None) -> Naming | None:
        if self.taught is None or features is None:
            return None
        telling = tell(self.taught, features)
        return Naming(telling.group, telling.sure, telling.name) if telling.told else None

    def _prepared(self, pixels: Rgb, box: Box, gain: float | None) -> crop.Prepared:
        return _prepared(self.card, pixels, box, gain)

    def _planes(
        self, network: Network, part: crop.Prepared, pixels: Rgb, box: Box, gain: float | None
    ) -> crop.Planes:
        """The crop as `network` wants it: the first network's, where that is the same."""
        own, wanted = (
            (card.side_px, card.noise if card.noise.is_used(gain) else None)
            for card in (self.card, network.card)
        )
        return part.planes if own == wanted else _prepared(network.card, pixels, box, gain).planes

    def _note_small(self, frame: Frame) -> None:
        if not self.small_crops:  # once is enough: the count goes on
            log.warning(
                "frame %d: something moved on less than %d pixels: too small to be told with confidence; "
                "move the camera nearer or use a larger picture",
                frame.number,
                crop.MIN_SIDE_PX,
            )
        self.small_crops += 1


def _prepared(card: ModelCard, pixels: Rgb, box: Box, gain: float | None) -> crop.Prepared:
    return crop.prepare(pixels, box, gain, side=card.side_px, noise=card.noise)
