"""How far each part of the picture gives way to the wind."""

from __future__ import annotations

import numpy as np
from PIL import Image

from dooryard.camera.garden.brush import Texture, noise_texture
from dooryard.camera.garden.layers import Field
from dooryard.camera.garden.sway import LEAF_MODES

DOWN_SHARE = 0.4  # leaves move less up and down than across
_CELLS = (0.0, 300.0, 170.0, 110.0, 64.0, 13.0)  # patch of each mode in design pixels; 0: all as one


class LeafField:
    """Smooth fields of displacement, one per leaf mode, at half the picture's resolution."""

    def __init__(
        self,
        yields: Texture,
        margin: int,
        shape: tuple[int, int],
        scale: float,
        rng: np.random.Generator,
    ) -> None:
        """`yields` (0..1) in design pixels with `margin` around; `shape` is the picture's."""
        half = (shape[0] // 2, shape[1] // 2)
        view = yields[margin : yields.shape[0] - margin, margin : yields.shape[1] - margin]
        sized = Image.fromarray(view).resize(half[::-1], Image.Resampling.BOX)
        self._shape = half
        self._yields = np.array(sized, dtype=np.float32)
        self._across = self._modes(half, view.shape, scale, rng)
        self._down = self._modes(half, view.shape, DOWN_SHARE * scale, rng)

    def _modes(
        self, half: tuple[int, int], view: tuple[int, ...], scale: float, rng: np.random.Generator
    ) -> Texture:
        """(LEAF_MODES, H/2 * W/2), pixels of displacement for one design pixel of the mode."""
        # Drawn at a fixed size, so that all picture sizes bend alike.
        drawn = (view[0] // 2, view[1] // 2)
        modes = []
        for cell in _CELLS[:LEAF_MODES]:
            pattern = np.ones(drawn, np.float32)
            if cell > 0.0:
                pattern = noise_texture(rng, drawn, (cell / 2, cell / 2), 1) - 0.5
                pattern /= max(1e-6, float(pattern.std()))
            sized = Image.fromarray(pattern).resize(half[::-1], Image.Resampling.BILINEAR)
            modes.append(np.array(sized, dtype=np.float32).ravel() * np.float32(scale))
        return np.stack(modes)

    def bend(self, leaves_px: tuple[float, ...]) -> tuple[Field, Field]:
        """Displacement across and down for what stands in the garden, (H/2, W/2) each."""
        across, down = self.free_bend(leaves_px)
        return across * self._yields, down * self._yields

    def free_bend(
        self, leaves_px: tuple[float, ...], part: tuple[slice, slice] | None = None
    ) -> tuple[Field, Field]:
        """The same for leaves that yield fully; all of the picture or a `part` of it."""
        amounts = np.array(leaves_px, np.float32)
        fields = []
        for modes in (self._across, self._down):
            shaped = modes.reshape(LEAF_MODES, *self._shape)
            chosen = shaped if part is None else shaped[:, part[0], part[1]]
            total = amounts[0] * chosen[0]
            for amount, mode in zip(amounts[1:], chosen[1:], strict=True):
                total += amount * mode
            fields.append(total)
        return fields[0], fields[1]
