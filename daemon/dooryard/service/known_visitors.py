"""Which visitors can be told, without loading a model. Edge: reads cards and their labels."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from dooryard.classify import card as cards
from dooryard.classify import labels
from dooryard.classify.onnx import BUILT_IN
from dooryard.classify.species import may_be_told
from dooryard.core.errors import ConfigError, ModelError
from dooryard.core.text_files import read_text
from dooryard.teaching.album import Example


def known_visitors(
    card_path: Path | None = None,
    *,
    species_card: Path | None = None,
    region: frozenset[str] | None = None,
    examples: Sequence[Example] = (),
) -> tuple[frozenset[str], dict[str, str]]:
    """Every group, species and scientific name that can be told, in lower case, and each one's group.

    As `OnnxClassifier` is built: a species model and a region's list as there, and what the owner taught.
    Raises ModelError when a card or its labels cannot be read.
    """
    group_of = {group: group for group in labels.GROUPS}
    for path in (card_path or BUILT_IN, species_card):
        for label in _labels(path) if path else ():
            listed = label.group != "bird" or may_be_told(label.scientific, region)
            if label.trusted and label.group and listed:
                group_of |= {name.lower(): label.group for name in (label.name, label.scientific) if name}
    group_of |= {example.name.lower(): example.group for example in examples}
    return frozenset(group_of), group_of


def _labels(path: Path) -> tuple[labels.Label, ...]:
    card = cards.parse(_text(path, "model card"), str(path))
    table = path.with_name(card.labels)
    return labels.parse(_text(table, "table of labels"), card.classes, str(table))


def _text(path: Path, sort: str) -> str:
    try:
        return read_text(path, sort)
    except ConfigError as error:
        raise ModelError(error.what, f"{error.remedy}, or install the package again") from error


def model_name(card_path: Path | None = None) -> str:
    """What the model is called. Raises ModelError when its card cannot be read."""
    path = card_path or BUILT_IN
    return cards.parse(_text(path, "model card"), str(path)).name
