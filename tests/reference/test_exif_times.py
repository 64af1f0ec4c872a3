"""Times in EXIF, against the standard and against writers and readers other than ours.

EXIF 2.32 (CIPA DC-008-2019), section 4.6.5: DateTimeOriginal 36867 (0x9003), ASCII, count 20,
"YYYY:MM:DD HH:MM:SS" and NUL; OffsetTimeOriginal 36881 (0x9011), ASCII, count 7, "+HH:MM" and NUL;
SubSecTimeOriginal 37521 (0x9291), ASCII, any count; all in the Exif IFD, which tag 34665 of IFD 0
points to; the block is a TIFF structure in a JPEG's APP1 after "Exif" and two NULs (section 4.7.2).
These figures come from memory; Pillow's table and tifffile, which shares no code with it, agree.
"""

from __future__ import annotations

import io
import struct
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image

from dooryard.recording import timestamps
from dooryard.recording.folder import FolderCamera
from dooryard.recording.image_files import read_exif
from dooryard.recording.timestamps import exif_stamp
from fakes.recordings import exif, write_frame

# What is in use: whole quarters of an hour from UTC-12:00 to UTC+14:00.
OFFSETS = st.integers(-12 * 4, 14 * 4).map(lambda quarters: timezone(timedelta(minutes=15 * quarters)))
TIMES = st.datetimes(datetime(1971, 1, 1), datetime(2099, 12, 31), timezones=OFFSETS)  # noqa: DTZ001 (bounds are naive)


def tags_of(block: bytes) -> dict[int, object]:
    made = Image.Exif()
    made.load(block)
    return dict(made.get_ifd(ExifTags.IFD.Exif))


def test_tag_numbers():
    assert ExifTags.Base.DateTimeOriginal == timestamps.DATE_TIME_ORIGINAL == 36867
    assert ExifTags.Base.OffsetTimeOriginal == timestamps.OFFSET_TIME_ORIGINAL == 36881
    assert ExifTags.Base.SubsecTimeOriginal == timestamps.SUBSEC_TIME_ORIGINAL == 37521


@settings(max_examples=200)
@given(TIMES)
def test_what_pillow_writes_is_read_back_to_the_microsecond(taken):
    stamp = exif_stamp(tags_of(exif(taken)), 1, "f.jpg", None)
    assert stamp.wall == taken
    assert stamp.wall.utcoffset() == timedelta(0)
    assert stamp.states_offset


@given(TIMES)
def test_another_reader_sees_the_same_tags(taken):
    with tifffile.TiffFile(io.BytesIO(exif(taken).removeprefix(b"Exif\0\0"))) as block:
        seen = block.pages[0].tags[34665].value
    assert seen["DateTimeOriginal"] == f"{taken:%Y:%m:%d %H:%M:%S}"
    assert seen["OffsetTimeOriginal"] == f"{taken:%z}"[:3] + ":" + f"{taken:%z}"[3:]
    assert seen["SubsecTimeOriginal"] == f"{taken:%f}"


def exif_by_the_standard(order: str, texts: dict[int, str]) -> bytes:
    """An EXIF block put together by the standard's layout; `order` is "<" (II) or ">" (MM)."""
    entries, values = b"", b""
    start = 8 + (2 + 12 + 4)  # the TIFF header and IFD 0 with one entry
    heap = start + 2 + 12 * len(texts) + 4
    for tag, text in sorted(texts.items()):
        value = text.encode("ascii") + b"\0"
        if len(value) <= 4:
            entries += struct.pack(order + "HHI", tag, 2, len(value)) + value.ljust(4, b"\0")
        else:
            entries += struct.pack(order + "HHII", tag, 2, len(value), heap + len(values))
            values += value + b"\0" * (len(value) % 2)
    header = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", 42, 8)
    ifd0 = struct.pack(order + "HHHIII", 1, 34665, 4, 1, start, 0)
    ifd = struct.pack(order + "H", len(texts)) + entries + struct.pack(order + "I", 0)
    return b"Exif\0\0" + header + ifd0 + ifd + values


def jpeg_with(block: bytes, path: Path) -> Path:
    """A JPEG with `block` as its APP1 segment, directly after the start of image."""
    plain = io.BytesIO()
    Image.fromarray(np.full((16, 16, 3), 90, np.uint8)).save(plain, "JPEG")
    segment = b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block
    path.write_bytes(plain.getvalue()[:2] + segment + plain.getvalue()[2:])
    return path


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize(
    ("subsec", "microseconds"), [("7", 700_000), ("07", 70_000), ("250", 250_000), ("123456", 123_456)]
)
def test_a_block_put_together_by_the_standard(tmp_path, order, subsec, microseconds):
    texts = {0x9003: "2026:06:14 13:00:59", 0x9011: "+01:00", 0x9291: subsec}
    path = jpeg_with(exif_by_the_standard(order, texts), tmp_path / "f.jpg")
    stamp = exif_stamp(read_exif(path), 1, path.name, None)
    assert stamp.wall == datetime(2026, 6, 14, 12, 0, 59, microseconds, tzinfo=UTC)


@pytest.mark.parametrize("suffix", ["jpg", "png"])
def test_through_a_whole_recording(tmp_path, suffix):
    """Frames on both sides of midnight and of a change of offset, in files, as a camera gives them."""
    taken = [
        datetime(2026, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC),
        datetime(2027, 1, 1, 5, 45, 0, 1, tzinfo=timezone(timedelta(hours=5, minutes=45))),
        datetime(2026, 12, 31, 20, 30, 0, 500_000, tzinfo=timezone(-timedelta(hours=3, minutes=30))),
    ]
    for number, time in enumerate(taken):
        write_frame(tmp_path / f"{number}.{suffix}", time)
    camera = FolderCamera(tmp_path)
    camera.open()
    frames = [camera.read(1.0) for _ in taken]
    assert [frame.wall for frame in frames] == taken
    assert [frame.mono_s for frame in frames] == pytest.approx([0.0, 2e-6, 0.500001], abs=1e-9)
    assert camera.notes == []
