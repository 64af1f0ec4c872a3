"""A model's card: which files belong together, and how pictures go in and scores come out. Pure."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from dooryard.classify import crop
from dooryard.classify.calibration import Calibration, LogOddsLine
from dooryard.classify.species import Numbers
from dooryard.config.toml_depth import MOST_PARTS, deep_key_line
from dooryard.core.errors import ModelError


class Normalisation(NamedTuple):
    """(value - mean) / scale, of bytes."""

    mean: float
    scale: float


@dataclass(frozen=True, slots=True)
class ModelCard:
    """What a program must know to run a model."""

    name: str
    model: str  # file name beside the card
    model_sha256: str
    labels: str  # file name beside the card
    labels_sha256: str
    input_name: str
    side_px: int  # the input is (1, 3, side_px, side_px), RGB
    normalisation: Normalisation | None  # None: the input is uint8, and the network normalises it
    logits: str  # output (1, classes)
    classes: int
    features: str | None = None  # output (1, feature_count)
    feature_count: int = 0
    evidence: Calibration | None = None  # None: the network's own numbers are taken as they are
    presence: str | None = None  # file name beside the card: see classify/presence.py
    presence_sha256: str = ""
    names: Numbers = field(default_factory=Numbers)  # how a species model's answers are read
    noise: crop.NoiseFilter = crop.MEDIAN  # when and how noise is taken out for this model
    limits: str = ""  # what an owner must know of it, in a line

    @property
    def features_key(self) -> str:
        """Names what its features come of: those kept under another key are of no use."""
        return f"{crop.EDITION}-{self.model_sha256}"


_LAYOUT = {"layout": "NCHW", "channels": "RGB"}  # the only one that is understood so far
_TYPES = ("float32", "uint8")  # of the input; the first where none is named


def parse(text: str, where: str) -> ModelCard:
    """Read a card's TOML `text`; `where` names it in errors.

    Raises ModelError when it is not TOML, or a key is missing or of the wrong type.
    """
    deep = deep_key_line(text)
    if deep is not None:
        raise ModelError(f"{where}:{deep}: a key or table of more than {MOST_PARTS} parts", _REMEDY)
    try:
        return _card(tomllib.loads(text))
    except RecursionError as error:
        raise ModelError(f"{where}: brackets are nested too deeply", _REMEDY) from error
    except tomllib.TOMLDecodeError as error:
        raise ModelError(f"{where}: not a model card: {error}", _REMEDY) from error
    except KeyError as error:
        raise ModelError(f"{where}: the key {error} is missing", _REMEDY) from error
    except (TypeError, ValueError) as error:
        raise ModelError(f"{where}: {error}", _REMEDY) from error


_REMEDY = "fix the card (models/lite0.toml in the package is a whole one), or install the package again"


def _card(data: dict[str, Any]) -> ModelCard:
    entry, out = _of(data, "input", dict), _of(data, "outputs", dict)
    presence = _of(data, "presence", str) if "presence" in data else None
    for key, wanted in _LAYOUT.items():
        if entry[key] != wanted:
            raise ValueError(f"input.{key} is {entry[key]!r}; only {wanted!r} is understood")
    card = ModelCard(
        name=_of(data, "name", str),
        model=_of(data, "model", str),
        model_sha256=_of(data, "model_sha256", str),
        labels=_of(data, "labels", str),
        labels_sha256=_of(data, "labels_sha256", str),
        input_name=_of(entry, "name", str),
        side_px=_of(entry, "side_px", int),
        normalisation=_normalisation(entry),
        logits=_of(out, "logits", str),
        classes=_of(out, "classes", int),
        features=_of(out, "features", str) if "features" in out else None,
        feature_count=_of(out, "feature_count", int) if "features" in out else 0,
        evidence=_calibration(_of(data, "evidence", dict)) if "evidence" in data else None,
        presence=presence,
        presence_sha256="" if presence is None else _of(data, "presence_sha256", str),
        names=_names(data),
        noise=crop.NoiseFilter(
            _number(data, "noisy_gain", crop.NOISY_GAIN), _number(data, "noise_sigmas", crop.MEDIAN.sigmas)
        ),
        limits=_of(data, "limits", str) if "limits" in data else "",
    )
    return _checked(card, uses_presence="presence" in data.get("evidence", {}))


def _checked(card: ModelCard, *, uses_presence: bool) -> ModelCard:
    """Return `card`, whose parts fit each other; `uses_presence`: its evidence weighs the presence."""
    if min(card.side_px, card.classes, card.names.temperature) <= 0:
        raise ValueError("side_px, classes and temperature must be above zero")
    if uses_presence != (card.presence is not None) or (uses_presence and card.features is None):
        raise ValueError("presence and evidence.presence need each other, and outputs.features")
    for name in (card.model, card.labels, *([] if card.presence is None else [card.presence])):
        if name in ("", ".", "..") or "/" in name or "\\" in name:
            raise ValueError(f"{name!r} must be the name of a file beside the card")
    return card


def _normalisation(table: dict[str, Any]) -> Normalisation | None:
    kind = _of(table, "type", str) if "type" in table else _TYPES[0]
    if kind not in _TYPES:
        raise ValueError(f"input.type is {kind!r}; it must be one of {', '.join(_TYPES)}")
    if kind == "float32":
        mean, scale = (float(_of(table, key, float, int)) for key in ("mean", "scale"))
        if scale <= 0:
            raise ValueError(f"input.scale is {scale}; it must be above zero")
        return Normalisation(mean, scale)
    for key in ("mean", "scale"):
        if key in table:
            raise ValueError(f"input.{key} has no effect where input.type is {kind!r}: leave it out")
    return None


def _names(data: dict[str, Any]) -> Numbers:
    """The table `names`; the temperature may also stand at the top."""
    table = _of(data, "names", dict) if "names" in data else {}
    plain = Numbers()
    numbers = Numbers(
        temperature=_number({**data, **table}, "temperature", plain.temperature),
        nameless=_number(table, "nameless", plain.nameless),
        unlisted=_number(table, "unlisted", plain.unlisted),
        likeness=_number(table, "likeness", plain.likeness),
        told_from=_number(table, "told_from", plain.told_from),
    )
    for key in ("nameless", "unlisted", "likeness", "told_from"):
        if not 0 <= getattr(numbers, key) <= 1:
            raise ValueError(f"names.{key} is {getattr(numbers, key)}; it must be from 0 to 1")
    return numbers


def _number(table: dict[str, Any], key: str, default: float) -> float:
    return float(_of(table, key, float, int)) if key in table else default


def _calibration(table: dict[str, Any]) -> Calibration:
    lines = {}
    for key in ("bird", "mammal", "animal"):
        values = _of(table, key, list)
        if len(values) != 2 or not all(type(value) in (int, float) for value in values) or values[0] <= 0:
            raise ValueError(f"evidence.{key} is {values!r}; it must be [slope above 0, offset]")
        lines[key] = LogOddsLine(float(values[0]), float(values[1]))
    presence = float(_of(table, "presence", float, int)) if "presence" in table else 0.0
    if not 0 <= presence < math.inf:
        raise ValueError(f"evidence.presence is {presence!r}; it must be a number, 0 or more")
    return Calibration(**lines, presence=presence)


def _of(table: dict[str, Any], key: str, *kinds: type) -> Any:
    value = table[key]
    if not isinstance(value, kinds) or isinstance(value, bool):
        raise TypeError(f"{key} is {value!r}, which is not of type {kinds[0].__name__}")
    return value
