"""A small picture inside a stored one, as EXIF's thumbnail.

Outside sources: Pillow and tifffile read the directories that were written here.
"""

from __future__ import annotations

import io
from datetime import UTC, datetime

import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import ExifTags, Image

from dooryard.core.records import Box, Picture
from dooryard.imaging.exif_thumbnail import LONGER_PX, inset_of, with_inset
from dooryard.imaging.jpeg import fitted
from dooryard.imaging.size_budget import GOOD, SMALL

WHEN = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)


def stored(size, width=1640, height=1232):
    pixels = np.zeros((height, width, 3), np.uint8)
    pixels[:, : width // 2] = (200, 40, 40)
    return fitted(Picture(1, WHEN, pixels, Box(0.3, 0.3, 0.5, 0.6)), "a bird", size)


def test_a_good_picture_has_one_and_keeps_what_else_is_written():
    data = stored(GOOD)
    with Image.open(io.BytesIO(data)) as picture:
        inner = Image.open(io.BytesIO(inset_of(picture)))
        assert max(inner.size) == LONGER_PX
        assert inner.getpixel((20, 20))[0] > 180
        assert inner.getpixel((380, 20))[0] < 60
        details = picture.getexif().get_ifd(ExifTags.IFD.Exif)
        assert details[ExifTags.Base.DateTimeOriginal] == "2026:06:14 12:00:00"
        assert picture.getexif()[ExifTags.Base.ImageDescription] == "a bird"


def test_a_small_picture_has_none():
    with Image.open(io.BytesIO(stored(SMALL))) as picture:
        assert inset_of(picture) is None


def test_another_reader_finds_two_directories_and_the_jpeg():
    with Image.open(io.BytesIO(stored(GOOD))) as picture:
        tiff, expected = picture.info["exif"][6:], inset_of(picture)
    with tifffile.TiffFile(io.BytesIO(tiff)) as file:
        assert len(file.pages) == 2
        tags = {tag.code: np.ravel(tag.value)[0] for tag in file.pages[1].tags}
    assert tags[0x0103] == 6
    assert tiff[tags[0x0201] : tags[0x0201] + tags[0x0202]] == expected


@pytest.mark.parametrize("order", ["<", ">"])
def test_either_byte_order(order):
    exif = Image.Exif()
    exif.endian = order
    exif[ExifTags.Base.Software] = "odd"
    data = with_inset(exif.tobytes(), b"not even a JPEG")
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG", exif=data)
    with Image.open(out) as picture:
        assert inset_of(picture) == b"not even a JPEG"
        assert picture.getexif()[ExifTags.Base.Software] == "odd"


def test_what_is_too_large_for_a_segment_stays_out():
    exif = Image.Exif().tobytes()
    assert with_inset(exif, bytes(60_000)) == exif


def test_what_is_no_exif_data_is_refused():
    with pytest.raises(ValueError, match="not EXIF"):
        with_inset(b"MM\x00*", b"")


@pytest.mark.filterwarnings("ignore:.*EXIF", "ignore:Metadata", "ignore:Possibly")  # Pillow says so itself
@given(st.binary(max_size=80))
def test_nonsense_in_the_directories_is_no_inset_and_no_exception(data):
    out = io.BytesIO()
    Image.new("RGB", (8, 8)).save(out, "JPEG", exif=b"Exif\x00\x00II*\x00\x08\x00\x00\x00" + data)
    with Image.open(out) as picture:
        found = inset_of(picture)
    assert found is None or isinstance(found, bytes)
