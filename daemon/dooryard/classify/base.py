"""What every classifier promises, whatever it is made of."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from dooryard.classify.card import ModelCard
    from dooryard.core.records import Box, Frame, Sighting


class Classifier(Protocol):
    """Looks at parts of a frame and says who is there."""

    @property
    def card(self) -> ModelCard:
        """What the model is."""
        ...

    @property
    def identity(self) -> str:
        """All that its answers depend on, beside the frame and the box: models, region, what was taught."""
        ...

    def look(self, frame: Frame, boxes: Sequence[Box]) -> tuple[Sighting, ...]:
        """Return one sighting per box, in the order of `boxes`.

        Calls `frame.large()` once, and not at all without boxes. What it returns stays as it is when
        the camera goes on to the next frame. The same frame and box give the same sighting. Raises
        what `frame.large()` raises, ValueError for a box that is empty or outside the picture or a
        picture that is not (H, W, 3) uint8, and `dooryard.core.errors.ModelError` when the model fails.
        """
        ...

    def warm_up(self) -> None:
        """Do whatever is slow the first time. May be called more than once."""
        ...
