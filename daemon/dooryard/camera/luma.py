"""From a colour picture to the small luma that the gate watches.

Luma is Y' = 0.299 R' + 0.587 G' + 0.114 B' (ITU-R BT.601, also named by Pillow's documentation of
`Image.convert`), the same weights that a JPEG's own Y channel has (JFIF, ITU-T T.871), so that a frame
read from a JPEG without its colour and one computed from RGB agree. Shrinking is a block mean: it
averages noise away and never rings.
"""

from __future__ import annotations

import numpy as np
from PIL import Image

from dooryard.core.records import Luma, Rgb


def small_luma(pixels: Rgb, size: tuple[int, int]) -> Luma:
    """Return the luma of `pixels` at `size`.

    Parameters
    ----------
    pixels : ndarray of shape (H, W, 3), uint8
        A colour picture, channels red, green, blue.
    size : (width, height) in pixels
        Any size; the whole picture is fitted to it, so relative boxes hold on both.

    Returns
    -------
    ndarray of shape (height, width), uint8, C-contiguous, read-only
    """
    return luma_of_image(Image.fromarray(pixels), size)


def luma_of_image(image: Image.Image, size: tuple[int, int]) -> Luma:
    """Return the luma of a Pillow image of eight bits a channel at `size` (width, height).

    The result is a read-only C-contiguous uint8 array of shape (height, width). Pillow's conversion
    to "L" uses the weights above in 16-bit fixed point, rounded.
    """
    grey = image if image.mode == "L" else image.convert("L")
    width, height = size
    across, uneven_x = divmod(grey.width, width)
    down, uneven_y = divmod(grey.height, height)
    if across and down and not uneven_x and not uneven_y:
        small = grey.reduce((across, down))
    else:
        small = grey.resize(size, Image.Resampling.BOX)
    luma = np.array(small, dtype=np.uint8)
    luma.setflags(write=False)
    return luma
