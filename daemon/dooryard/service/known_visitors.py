"""Which visitors can be told, without loading a model. Edge: reads cards and their labels."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from dooryard.classify import card as cards
from dooryard.classify import labels
from dooryard.classify.garden_birds import other_names
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
        for label in labels_of(path) if path else ():
            listed = label.group != "bird" or may_be_told(label.scientific, region)
            if label.trusted and label.group and listed:
                names = (label.name, label.scientific, *other_names(label.scientific))
                group_of |= {name.lower(): label.group for name in names if name}
    group_of |= {example.name.lower(): example.group for example in examples}
    return frozenset(group_of), group_of


def card_of(path: Path) -> cards.ModelCard:
    """Return the card at `path`. Raises ModelError when it cannot be read."""
    return cards.parse(_text(path, "model card"), str(path))


def labels_of(path: Path) -> tuple[labels.Label, ...]:
    """Return the labels of the model whose card is at `path`. Raises ModelError when they cannot be read."""
    card = card_of(path)
    table = path.with_name(card.labels)
    return labels.parse(_text(table, "table of labels"), card.classes, str(table))


def _text(path: Path, sort: str) -> str:
    try:
        return read_text(path, sort)
    except ConfigError as error:
        raise ModelError(error.what, f"{error.remedy}, or install the package again") from error


def model_name(card_path: Path | None = None) -> str:
    """What the model is called. Raises ModelError when its card cannot be read."""
    return card_of(card_path or BUILT_IN).name
