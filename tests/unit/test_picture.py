"""The picture carries its time in the tags of EXIF 2.32 (CIPA DC-008)."""

from __future__ import annotations

import io

import numpy as np
from PIL import ExifTags, Image

from dooryard.core.records import Box, Picture
from dooryard.imaging.jpeg import encode
from helpers import START

PICTURE = Picture(7, START.replace(microsecond=250_000), np.full((48, 64, 3), 120, np.uint8), Box(0, 0, 1, 1))


def opened(data):
    return Image.open(io.BytesIO(data))


def test_time_and_name_are_inside():
    exif = opened(encode(PICTURE, "a squirrel")).getexif()
    times = exif.get_ifd(ExifTags.IFD.Exif)
    assert times[ExifTags.Base.DateTimeOriginal] == "2026:06:14 13:00:00"
    assert times[ExifTags.Base.SubsecTimeOriginal] == "250"
    assert times[ExifTags.Base.OffsetTimeOriginal] == "+00:00"
    assert exif[ExifTags.Base.ImageDescription] == "a squirrel"


def test_with_the_clock_not_set_no_time_is_claimed():
    exif = opened(encode(PICTURE, "a squirrel", clock_set=False)).getexif()
    assert ExifTags.Base.DateTimeOriginal not in exif.get_ifd(ExifTags.IFD.Exif)
    assert exif[ExifTags.Base.ImageDescription] == "a squirrel (clock not set)"


def test_names_outside_ascii_do_not_break_it():
    assert opened(encode(PICTURE, "Grünfink — männlich")).size == (64, 48)
