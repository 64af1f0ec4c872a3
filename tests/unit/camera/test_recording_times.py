"""Times of recorded frames: what EXIF and index lines may say, and what is refused."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.recording.timestamps import (
    DATE_TIME_ORIGINAL,
    OFFSET_TIME_ORIGINAL,
    SUBSEC_TIME_ORIGINAL,
    FrameTimeError,
    Note,
    Stamp,
    exif_stamp,
    in_order,
    index_stamp,
)

LONDON = ZoneInfo("Europe/London")
NOON = datetime(2026, 6, 14, 12, 0, tzinfo=UTC)


def tags(time="2026:06:14 13:00:00", subsec=None, offset=None):
    given_tags = {DATE_TIME_ORIGINAL: time, SUBSEC_TIME_ORIGINAL: subsec, OFFSET_TIME_ORIGINAL: offset}
    return {tag: text for tag, text in given_tags.items() if text is not None}


def wall(exif, zone=None, not_before=None):
    return exif_stamp(exif, 1, "f.jpg", zone, not_before).wall


@pytest.mark.parametrize(
    ("exif", "zone", "expected"),
    [
        (tags(offset="+01:00"), None, NOON),
        (tags(offset="-04:30"), None, datetime(2026, 6, 14, 17, 30, tzinfo=UTC)),
        (tags(offset="+01:00"), ZoneInfo("Asia/Tokyo"), NOON),  # what is stated wins
        (tags(), LONDON, NOON),
        (tags(offset="   :  "), LONDON, NOON),  # EXIF's form of "unknown"
        (tags(), None, NOON + timedelta(hours=1)),
        (tags(subsec="5", offset="+01:00"), None, NOON + timedelta(milliseconds=500)),
        (tags(subsec="05 ", offset="+01:00"), None, NOON + timedelta(milliseconds=50)),
        (tags(subsec="123456789", offset="+01:00"), None, NOON + timedelta(microseconds=123_456)),
        (tags(time=b"2026:06:14 13:00:00\0", offset=b"+01:00\0"), None, NOON),
    ],
)
def test_exif_times(exif, zone, expected):
    assert wall(exif, zone) == expected


@pytest.mark.parametrize(
    ("exif", "reason"),
    [
        ({}, "has no DateTimeOriginal"),
        (tags(time="    :  :     :  :  "), "has no DateTimeOriginal"),
        (
            tags(time="2026-06-14 13:00:00"),
            "DateTimeOriginal '2026-06-14 13:00:00' is not YYYY:MM:DD HH:MM:SS",
        ),
        (
            tags(time="2026:02:30 13:00:00"),
            "DateTimeOriginal '2026:02:30 13:00:00' is not YYYY:MM:DD HH:MM:SS",
        ),
        (tags(subsec="1e3"), "SubSecTimeOriginal '1e3' is not digits"),
        (tags(offset="01:00"), "OffsetTimeOriginal '01:00' is not +HH:MM or -HH:MM"),
        (tags(offset="+25:00"), "OffsetTimeOriginal '+25:00' is not +HH:MM or -HH:MM"),
        (
            tags(time="0001:01:01 00:00:00", offset="+01:00"),
            "time 0001-01-01 00:00:00 is outside the calendar in UTC",
        ),
    ],
)
def test_exif_times_that_cannot_be_used(exif, reason):
    with pytest.raises(FrameTimeError) as caught:
        wall(exif)
    assert str(caught.value) == reason


def test_the_hour_that_comes_twice_is_settled_by_the_frame_before():
    # Summer time ends in London on 2026-10-25: 01:30 is first 00:30 UTC, then 01:30 UTC.
    twice = tags(time="2026:10:25 01:30:00")
    assert wall(twice, LONDON) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    later = datetime(2026, 10, 25, 0, 59, tzinfo=UTC)
    assert wall(twice, LONDON, not_before=later) == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    much_later = datetime(2026, 10, 25, 9, 0, tzinfo=UTC)  # neither fits: a time gone back, as it stands
    assert wall(twice, LONDON, not_before=much_later) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_an_index_line():
    row = {"file": "day 1/f.jpg", "time": "2026-06-14T13:00:00.25+01:00", "mono_s": "17.5"}
    expected = Stamp(4, "day 1/f.jpg", NOON + timedelta(milliseconds=250), 17.5)
    assert index_stamp(row, 4, None) == expected
    without = index_stamp({"file": "f.jpg", "time": "2026-06-14 13:00:00"}, 1, LONDON)
    assert without == Stamp(1, "f.jpg", NOON, None, states_offset=False)


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ({"file": "f.jpg", "time": "noon"}, "time 'noon' is not ISO 8601"),
        ({"file": "f.jpg", "time": None}, "time '' is not ISO 8601"),
        ({"file": " ", "time": "2026-06-14T12:00Z"}, "names no file"),
        ({"file": "f.jpg", "time": "2026-06-14T12:00Z", None: ["x"]}, "has more fields than the header"),
        (
            {"file": "f.jpg", "time": "2026-06-14T12:00Z", "mono_s": "inf"},
            "mono_s 'inf' is not a number of seconds",
        ),
        (
            {"file": "f.jpg", "time": "2026-06-14T12:00Z", "mono_s": None},
            "mono_s None is not a number of seconds",
        ),
        (
            {"file": "../f.jpg", "time": "2026-06-14T12:00Z"},
            "file '../f.jpg' lies outside the recording folder",
        ),
        (
            {"file": "/etc/f.jpg", "time": "2026-06-14T12:00Z"},
            "file '/etc/f.jpg' lies outside the recording folder",
        ),
    ],
)
def test_index_lines_that_cannot_be_used(row, reason):
    with pytest.raises(FrameTimeError) as caught:
        index_stamp(row, 1, None)
    assert str(caught.value) == reason


def stamps(seconds):
    return [Stamp(n, f"{n}.jpg", NOON + timedelta(seconds=s)) for n, s in enumerate(seconds, start=1)]


def kept(seconds):
    found = list(in_order(stamps(seconds)))
    assert len(found) == len(seconds)  # each is either let through or named
    return [stamp.number for stamp in found if isinstance(stamp, Stamp)]


times = st.lists(st.integers(0, 1_000), max_size=30)


@given(times)
def test_times_never_go_back(seconds):
    let_through = [seconds[number - 1] for number in kept(seconds)]
    assert let_through == sorted(let_through)


@given(times)
def test_what_is_in_order_goes_through_whole(seconds):
    assert len(kept(sorted(seconds))) == len(seconds)


@given(st.lists(st.integers(0, 1_000), min_size=3, max_size=30), st.data(), st.booleans())
def test_one_wrong_time_costs_that_frame_alone(seconds, data, ahead):
    """Far ahead with two frames after it, or far behind with one before it."""
    seconds = sorted(seconds)
    wrong = data.draw(st.integers(0, len(seconds) - 3) if ahead else st.integers(1, len(seconds) - 1))
    seconds[wrong] = 5_000 if ahead else -5_000
    assert kept(seconds) == [number for number in range(1, len(seconds) + 1) if number != wrong + 1]


def test_notes_name_both_frames():
    found = list(in_order(stamps([0, 99, 1, 2, 1])))
    assert [str(note) for note in found if isinstance(note, Note)] == [
        "2.jpg: out of order: its time is after that of 3.jpg, which follows it",
        "5.jpg: out of order: its time is before that of 4.jpg, which precedes it",
    ]


def test_monotonic_times_of_an_index_decide_over_a_clock_that_was_set_back():
    set_back = [
        Stamp(1, "1.jpg", NOON, 10.0),
        Stamp(2, "2.jpg", NOON - timedelta(hours=1), 11.0),
        Stamp(3, "3.jpg", NOON, 10.5),
    ]
    assert [found.number for found in in_order(set_back) if isinstance(found, Stamp)] == [1, 2]
