"""Which visitors a model can tell, without loading the model. Edge: reads the card and its labels."""

from __future__ import annotations

from pathlib import Path

from dooryard.classify import card as cards
from dooryard.classify import labels
from dooryard.classify.onnx import BUILT_IN
from dooryard.errors import ModelError


def known_visitors(card_path: Path | None = None) -> tuple[frozenset[str], dict[str, str]]:
    """Every group, species and scientific name that can be told, in lower case, and each one's group.

    Raises ModelError when the card or its labels cannot be read.
    """
    path = card_path or BUILT_IN
    try:
        card = cards.parse(path.read_text(encoding="utf-8"), str(path))
        table = path.with_name(card.labels)
        known = labels.parse(table.read_text(encoding="utf-8"), card.classes, str(table))
    except (OSError, UnicodeDecodeError) as error:
        raise ModelError(f"{path}: cannot be read: {error}", "install the package again") from error
    group_of = {group: group for group in labels.GROUPS}
    for label in known:
        if label.trusted and label.group:
            group_of |= {name.lower(): label.group for name in (label.name, label.scientific) if name}
    return frozenset(group_of), group_of
