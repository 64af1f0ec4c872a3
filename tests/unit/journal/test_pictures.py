"""Small pictures: light ones as they are, heavy ones made light; never what was written into a stored one."""

from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ExifTags, Image

from dooryard.imaging.xmp import bare, labelled
from dooryard.journal.pictures import MOST_PX, small
from fakes.xmp_packets import xmp_packet


def jpeg(size: tuple[int, int], *, busy: bool) -> bytes:
    """With a position in its Exif, as no picture of the box has."""
    width, height = size
    pixels = np.full((height, width, 3), 90, np.uint8)
    if busy:
        pixels[:] = np.random.default_rng(1).integers(0, 256, pixels.shape, np.uint8)
    exif = Image.Exif()
    exif[ExifTags.IFD.GPSInfo] = {
        ExifTags.GPS.GPSLatitudeRef: "N",
        ExifTags.GPS.GPSLatitude: (51.0, 45.0, 7.0),
    }
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "JPEG", quality=85, exif=exif, comment=b"Alder Row")
    return labelled(out.getvalue(), "A wren", ["wren"], (51.752, -1.258))


@pytest.mark.parametrize(("busy", "shown"), [(False, (640, 480)), (True, (320, 240))])
def test_what_is_light_stays_as_it_is_and_what_is_heavy_is_made_light(busy, shown):
    made = small(jpeg((640, 480), busy=busy))
    with Image.open(io.BytesIO(made)) as picture:
        assert picture.size == shown


@pytest.mark.parametrize("size", [(1024, 768), (1640, 1232), (480, 640), (2000, 300), (30, 20)])
@pytest.mark.parametrize("busy", [False, True])
def test_nothing_that_was_written_into_it_is_in_the_small_one(size, busy):
    made = small(jpeg(size, busy=busy))
    with Image.open(io.BytesIO(made)) as picture:
        picture.load()
        assert not picture.getexif()
        assert not picture.info.keys() & {"exif", "comment"}
        assert xmp_packet(picture) is None
        assert max(picture.size) <= max(MOST_PX, 640)
    assert not {word for word in (b"GPS", b"wren", b"Alder") if word in made}


@given(st.binary(max_size=40))
def test_what_is_no_picture_has_none(data):
    assert small(data) is None
    assert small(b"\xff\xd8" + data) is None


def test_bare_changes_no_pixel():
    before = jpeg((64, 48), busy=True)
    with Image.open(io.BytesIO(before)) as one, Image.open(io.BytesIO(bare(before))) as other:
        assert np.array_equal(np.asarray(one), np.asarray(other))
