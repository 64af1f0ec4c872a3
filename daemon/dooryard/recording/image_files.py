"""Pillow at the edge of a recording: one picture file in, its tags, small luma or colours out."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from PIL import ExifTags, Image, ImageOps, UnidentifiedImageError

from dooryard.camera.luma import luma_of_image
from dooryard.core.records import Luma, Rgb

SUFFIXES = frozenset({".jpg", ".jpeg", ".png"})

# Pillow's modes of at most eight bits a channel; others (I;16, F) would be clipped, not scaled.
_EIGHT_BIT_MODES = frozenset({"1", "L", "LA", "P", "PA", "RGB", "RGBA", "RGBX", "CMYK", "YCbCr"})

# What Pillow may raise for a damaged file. The tests damage files at random to see that it suffices.
_DAMAGE = (
    OSError,
    SyntaxError,
    ValueError,
    TypeError,
    KeyError,
    IndexError,
    OverflowError,
    EOFError,
    struct.error,
    zlib.error,
    Image.DecompressionBombError,
    UserWarning,  # of corrupt EXIF data, where warnings are errors
)
_TURNED_ASIDE = frozenset({5, 6, 7, 8})  # EXIF Orientation: rows and columns change places


class BadPictureError(Exception):
    """A file that is not a whole picture; the text says why, without the file's name."""


def read_exif(path: Path) -> Mapping[int, object]:
    """Return the tags of the file's Exif IFD (EXIF 2.32); empty if it has none."""
    try:
        with Image.open(path) as image:
            return image.getexif().get_ifd(ExifTags.IFD.Exif)
    except _DAMAGE as damage:
        raise BadPictureError(_in_words(damage)) from damage


def read_luma(path: Path, size: tuple[int, int]) -> Luma:
    """Return the picture's luma at `size` (width, height): shape (height, width), uint8, read-only.

    A JPEG is decoded without its colours and, by the decoder's own scaling, no larger than needed;
    that differs by a few grey levels from the block mean of the whole picture.
    """
    try:
        with Image.open(path) as image:
            turned = image.getexif().get(ExifTags.Base.Orientation) in _TURNED_ASIDE
            image.draft("L", size[::-1] if turned else size)
            return luma_of_image(_upright(image), size)
    except _DAMAGE as damage:
        raise BadPictureError(_in_words(damage)) from damage


def read_rgb(path: Path) -> Rgb:
    """Return the whole picture in colour: shape (H, W, 3), uint8, red, green, blue."""
    try:
        with Image.open(path) as image:
            return np.array(_upright(image).convert("RGB"), dtype=np.uint8)
    except _DAMAGE as damage:
        raise BadPictureError(_in_words(damage)) from damage


def _upright(image: Image.Image) -> Image.Image:
    """The decoded picture, turned as its EXIF Orientation asks."""
    if image.mode not in _EIGHT_BIT_MODES:
        raise BadPictureError(f"its pixels have more than eight bits a channel (mode {image.mode})")
    image.load()
    ImageOps.exif_transpose(image, in_place=True)
    return image


def _in_words(damage: BaseException) -> str:
    """One line without the path, which the reader of a note has already."""
    if isinstance(damage, UnidentifiedImageError):
        return "it is not a JPEG or PNG file"
    text = damage.strerror if isinstance(damage, OSError) and damage.strerror else str(damage)
    return f"{' '.join(text.split())} ({type(damage).__name__})"
