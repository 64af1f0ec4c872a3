"""Recordings: what is played, what is passed over and how it is named."""

import contextlib
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from dooryard.camera.base import EndOfFramesError
from dooryard.camera.luma import small_luma
from dooryard.core.errors import CameraError
from dooryard.recording.folder import NOTES_KEPT, FolderCamera
from dooryard.recording.image_files import BadPictureError, read_exif, read_luma, read_rgb
from fakes.recordings import lawn, write_frame

START = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)
SMALL = (32, 24)


def at(seconds):
    return START + timedelta(seconds=seconds)


@pytest.fixture
def folder(tmp_path):
    """Five good frames, half a second apart."""
    for number in range(1, 6):
        write_frame(tmp_path / f"frame-{number}.jpg", at(number / 2), number=number)
    return tmp_path


def play(camera, after=None):
    camera.open(after=after)
    frames = []
    while True:
        try:
            frames.append(camera.read(1.0))
        except EndOfFramesError:
            return frames


def reasons(camera):
    return [str(note) for note in camera.notes]


def test_frames_come_in_order_with_their_times(folder):
    camera = FolderCamera(folder, luma_size=SMALL)
    frames = play(camera)
    assert [frame.number for frame in frames] == [1, 2, 3, 4, 5]
    assert [frame.wall for frame in frames] == [at(n / 2) for n in range(1, 6)]
    assert [frame.mono_s for frame in frames] == [0.0, 0.5, 1.0, 1.5, 2.0]
    assert camera.notes == []


def test_numbers_in_names_count_as_numbers(tmp_path):
    for number in (1, 2, 10, 11):
        write_frame(tmp_path / f"f{number}.jpg", at(number))
    assert [frame.wall for frame in play(FolderCamera(tmp_path))] == [at(n) for n in (1, 2, 10, 11)]


@pytest.mark.parametrize("name", ["frame.jpg", "frame.jpeg", "frame.JPG", "frame.png"])
def test_pictures(tmp_path, name):
    write_frame(tmp_path / name, at(0), size=(640, 480))
    [frame] = play(FolderCamera(tmp_path))
    expected = lawn(size=(640, 480))
    assert np.abs(frame.large().astype(int) - expected).max() <= (0 if name.endswith("png") else 6)
    assert np.abs(frame.luma.astype(int) - small_luma(expected, (320, 240))).max() <= 3


def test_the_large_picture_is_decoded_only_when_asked_for(folder, monkeypatch):
    frames = play(FolderCamera(folder, luma_size=SMALL))
    (folder / "frame-2.jpg").unlink()
    assert frames[0].large().shape == (48, 64, 3)
    with pytest.raises(CameraError, match=r"frame-2\.jpg could be read before and now cannot"):
        frames[1].large()


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_turns_both_pictures_alike(tmp_path, orientation):
    # EXIF 2.32, tag 0x0112: 6 means that row 0 is the right side and column 0 the top.
    image = Image.fromarray(lawn(size=(640, 480)))
    tags = Image.Exif()
    tags[0x0112] = orientation
    image.save(tmp_path / "f.jpg", exif=tags, quality=95)
    large = read_rgb(tmp_path / "f.jpg")
    assert large.shape[:2] == ((640, 480) if orientation >= 5 else (480, 640))
    luma = read_luma(tmp_path / "f.jpg", (64, 48))
    assert np.abs(luma.astype(int) - small_luma(large, (64, 48))).max() <= 3


def test_a_turned_picture_keeps_its_detail_when_it_is_read_at_reduced_scale(tmp_path):
    pixels = np.zeros((480, 640, 3), np.uint8)
    pixels[np.arange(480) % 8 < 4] = 255  # stripes that stand upright once turned, four pixels wide
    tags = Image.Exif()
    tags[0x0112] = 6
    Image.fromarray(pixels).save(tmp_path / "f.jpg", exif=tags, quality=95)
    whole = small_luma(read_rgb(tmp_path / "f.jpg"), (320, 240))
    assert np.abs(read_luma(tmp_path / "f.jpg", (320, 240)).astype(int) - whole).max() <= 3


def test_a_turned_picture_has_its_first_row_on_the_right(tmp_path):
    pixels = np.zeros((40, 80, 3), np.uint8)
    pixels[:20] = 255  # the upper half
    tags = Image.Exif()
    tags[0x0112] = 6
    Image.fromarray(pixels).save(tmp_path / "f.png", exif=tags)
    large = read_rgb(tmp_path / "f.png")
    assert large[:, 20:].min() == 255
    assert large[:, :20].max() == 0


def test_after_passes_over_what_was_taken_before(folder):
    frames = play(FolderCamera(folder, luma_size=SMALL), after=at(1.5))
    assert [(frame.number, frame.mono_s) for frame in frames] == [(4, 1.5), (5, 2.0)]
    assert play(FolderCamera(folder), after=at(99)) == []
    with pytest.raises(ValueError, match="aware"):
        FolderCamera(folder).open(after=datetime(2026, 6, 14))  # noqa: DTZ001 (the point)


def test_broken_frames_are_named_and_passed_over(folder):
    whole = (folder / "frame-2.jpg").read_bytes()
    (folder / "frame-2.jpg").write_bytes(whole[: len(whole) * 2 // 3])
    (folder / "frame-3.jpg").write_text("not a picture")
    (folder / "frame-4.jpg").write_bytes(b"")
    write_frame(folder / "frame-5.jpg")  # without a time
    Image.fromarray(np.zeros((4, 4), np.uint16)).save(folder / "frame-6.png")
    told = []
    camera = FolderCamera(folder, on_note=told.append)
    assert [frame.number for frame in play(camera)] == [1]
    assert reasons(camera) == [
        "frame-3.jpg: it is not a JPEG or PNG file",
        "frame-4.jpg: it is not a JPEG or PNG file",
        "frame-5.jpg: has no DateTimeOriginal",
        "frame-6.png: has no DateTimeOriginal",
        "frame-2.jpg: cannot be decoded: " + reasons(camera)[4].partition("cannot be decoded: ")[2],
    ]
    assert "truncated" in reasons(camera)[4]
    assert told == camera.notes
    assert camera.passed_over == 5


def test_more_than_eight_bits_are_refused_not_clipped(tmp_path):
    Image.fromarray(np.full((4, 4), 40_000, np.uint16)).save(tmp_path / "deep.png")
    with pytest.raises(BadPictureError, match=r"more than eight bits a channel \(mode I(;16)?\)"):
        read_luma(tmp_path / "deep.png", (2, 2))


def test_a_frame_out_of_order_is_named_and_passed_over(folder):
    write_frame(folder / "frame-3.jpg", at(-60))
    camera = FolderCamera(folder)
    assert [frame.number for frame in play(camera)] == [1, 2, 4, 5]
    assert reasons(camera) == [
        "frame-3.jpg: out of order: its time is before that of frame-2.jpg, which precedes it"
    ]


def test_a_missing_offset_is_read_as_utc_and_said_once(tmp_path):
    for number in range(3):
        write_frame(tmp_path / f"{number}.jpg", at(number).replace(tzinfo=None))
    camera = FolderCamera(tmp_path)
    assert [frame.wall for frame in play(camera)] == [at(0), at(1), at(2)]
    assert reasons(camera) == ["0.jpg: states no offset from UTC: such times are read as UTC"]
    assert camera.passed_over == 0


def test_a_stated_time_zone_serves_where_the_offset_is_missing(tmp_path):
    write_frame(tmp_path / "f.jpg", datetime(2026, 6, 14, 13, 0))  # noqa: DTZ001 (the point)
    camera = FolderCamera(tmp_path, time_zone="Europe/London")
    assert [frame.wall for frame in play(camera)] == [START]
    assert camera.notes == []
    with pytest.raises(CameraError, match="the recording's time zone 'Europe/Lodnon' is unknown"):
        FolderCamera(tmp_path, time_zone="Europe/Lodnon")


def index(folder, text):
    path = folder / "index.csv"
    path.write_text(text)
    return path


def test_an_index_gives_order_and_times(folder):
    listed = index(folder, f"file,time\nframe-3.jpg,{at(0).isoformat()}\nframe-1.jpg,{at(2).isoformat()}\n")
    frames = play(FolderCamera(folder, index=listed))
    assert [(frame.number, frame.wall, frame.mono_s) for frame in frames] == [
        (1, at(0), 0.0),
        (2, at(2), 2.0),
    ]


def test_an_index_may_state_monotonic_times(folder):
    lines = [
        "file,time,mono_s",
        f"frame-1.jpg,{at(0).isoformat()},70.5",
        f"frame-2.jpg,{at(-9).isoformat()},71",
    ]
    frames = play(FolderCamera(folder, index=index(folder, "\n".join(lines))))
    assert [frame.mono_s for frame in frames] == [70.5, 71.0]  # though the wall clock was set back


def test_bad_index_lines_are_named_by_file_and_line(folder):
    lines = [
        "file,time",
        f"frame-1.jpg,{at(0).isoformat()}",
        "frame-2.jpg,yesterday",
        "",
        f"frame-9.jpg,{at(2).isoformat()}",
        f"frame-3.jpg,{at(3).isoformat()},3",
        f'"frame-3.jpg"x,{at(3).isoformat()}',
        "frame-4.jpg,2026-06-14T12:00:04",
    ]
    camera = FolderCamera(folder, index=index(folder, "\n".join(lines)))
    assert [frame.wall for frame in play(camera)] == [at(0), at(4)]
    assert sorted(reasons(camera)) == [
        "frame-4.jpg: states no offset from UTC: such times are read as UTC",
        "frame-9.jpg: cannot be decoded: No such file or directory (FileNotFoundError)",
        "index.csv:3: time 'yesterday' is not ISO 8601",
        "index.csv:6: has more fields than the header",
        "index.csv:7: ',' expected after '\"'",
    ]


def test_nothing_to_open(tmp_path, folder):
    with pytest.raises(CameraError, match="does not exist") as caught:
        FolderCamera(tmp_path / "gone").open()
    assert caught.value.remedy == "name an existing folder of JPEG or PNG frames"
    (tmp_path / "empty").mkdir()
    with pytest.raises(CameraError, match="holds no frames"):
        FolderCamera(tmp_path / "empty").open()
    with pytest.raises(CameraError, match=r"the index .*none\.csv cannot be read: .*No such file"):
        FolderCamera(folder, index=tmp_path / "none.csv").open()
    # How long a field may be is one setting for the whole process, and other packages raise it.
    with pytest.raises(
        CameraError, match=r"cannot be read: field larger than field limit|begins with 'x{60}'"
    ):
        FolderCamera(folder, index=index(folder, "x" * 200_000)).open()
    with pytest.raises(CameraError, match="begins with 'name,when'"):
        FolderCamera(folder, index=index(folder, "name,when\n")).open()


def test_a_recording_without_one_usable_frame_is_an_error(tmp_path):
    write_frame(tmp_path / "f.jpg")
    with pytest.raises(CameraError, match=r"1 passed over, first f\.jpg: has no DateTimeOriginal"):
        FolderCamera(tmp_path).open()


def test_notes_are_bounded_and_counted(tmp_path, caplog):
    frame = write_frame(tmp_path / "0.jpg", at(0)).read_bytes()
    for number in range(1, NOTES_KEPT + 51):
        (tmp_path / f"{number}.jpg").write_bytes(frame[:20])
    camera = FolderCamera(tmp_path)
    assert len(play(camera)) == 1
    assert len(camera.notes) == NOTES_KEPT
    assert camera.passed_over == NOTES_KEPT + 50
    assert len(caplog.records) == NOTES_KEPT + 1
    assert caplog.messages[-1].endswith("further notes are only counted")


def test_only_the_names_are_held(tmp_path, monkeypatch):
    """Two thousand frames: no more than three are opened ahead of what was read."""
    content = write_frame(tmp_path / "0.jpg", at(0), size=(16, 12)).read_bytes()
    for number in range(1, 2_000):
        (tmp_path / f"{number}.jpg").write_bytes(content)
    opened = []
    monkeypatch.setattr(
        "dooryard.recording.folder.read_exif", lambda path: opened.append(path) or read_exif(path)
    )
    camera = FolderCamera(tmp_path, luma_size=(8, 6))
    camera.open()
    assert len(opened) <= 3
    for _ in range(10):
        camera.read(1.0)
    assert len(opened) <= 13


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
@pytest.mark.filterwarnings("ignore::UserWarning")  # Pillow warns of some of the damage
@pytest.mark.parametrize("suffix", ["jpg", "png"])
def test_no_damage_escapes(tmp_path, data, suffix):
    """Whatever happens to a file's bytes, reading gives a picture or a reason."""
    path = write_frame(tmp_path / f"f.{suffix}", at(0), size=(32, 24))
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        content[data.draw(st.integers(0, len(content) - 1))] = data.draw(st.integers(0, 255))
    path.write_bytes(content[: data.draw(st.integers(0, len(content)))])
    for read in (read_exif, lambda file: read_luma(file, (16, 12)), read_rgb):
        with contextlib.suppress(BadPictureError):  # anything else fails the test
            read(path)
