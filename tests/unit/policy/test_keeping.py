"""Which pictures go when room runs short."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.policy.keeping import Stored, given_up, short_bytes
from dooryard.policy.schema import Keeping

MB = 1_000_000
HOW = ("always", "while they fit")


def gone_of(pictures, other_bytes, how):
    keeping = Keeping(megabytes=20, favourites=how)
    bounds = {"keep_bytes": keeping.megabytes * MB, "favourites_count": keeping.favourites_count}
    return given_up(pictures, other_bytes=other_bytes, **bounds)


def names(pictures, other_bytes, how):
    return [picture.path for picture in gone_of(pictures, other_bytes, how)]


OLD, LOVED, WAITING, NEW = (
    Stored("old", 10 * MB),
    Stored("loved", 10 * MB, favourite=True),
    Stored("waiting", 10 * MB, untold=True),
    Stored("new", 10 * MB),
)


@pytest.mark.parametrize(
    ("other_mb", "how", "gone"),
    [
        (0, "always", ["old"]),
        (0, "while they fit", ["old", "new"]),
        (10, "always", ["old", "new"]),
        (10, "while they fit", ["old", "new", "waiting"]),
        (20, "always", ["old", "new", "waiting"]),
        (20, "while they fit", ["old", "new", "waiting", "loved"]),
    ],
)
def test_the_order_in_which_they_go(other_mb, how, gone):
    assert names([OLD, LOVED, WAITING, NEW], other_mb * MB, how) == gone


def test_nothing_goes_while_all_fits():
    assert names([OLD, NEW], 0, "while they fit") == []


STORED = st.lists(
    st.builds(Stored, st.just("x"), st.integers(0, 8 * MB), st.booleans(), st.booleans()), max_size=12
)


@given(STORED, st.integers(0, 25 * MB), st.sampled_from(HOW))
def test_what_is_left_fits_and_nothing_goes_in_vain(pictures, other_bytes, how):
    gone = gone_of(pictures, other_bytes, how)
    counted = [p for p in pictures if how == "while they fit" or not p.favourite]
    left_bytes = sum(p.size_bytes for p in counted) - sum(p.size_bytes for p in gone) + other_bytes
    assert left_bytes <= 20 * MB or len(gone) == len(counted)
    if gone:
        assert left_bytes + gone[-1].size_bytes > 20 * MB
    if how == "always":
        assert not any(p.favourite for p in gone)


ROOM = [Stored(str(number), 10 * MB) for number in range(10)]


@pytest.mark.parametrize(
    ("short_mb", "goes"),
    [(0, 0), (1, 1), (25, 3), (60, 6), (95, 8), (10_000, 8)],
)
def test_a_card_that_runs_short_of_room_lets_more_go_down_to_about_a_quarter(short_mb, goes):
    bounds = {"other_bytes": 0, "keep_bytes": 100 * MB, "favourites_count": False}
    gone = given_up(ROOM, short_bytes=short_mb * MB, **bounds)
    assert [picture.path for picture in gone] == [str(number) for number in range(goes)]


def test_favourites_outlast_a_full_card_too():
    bounds = {"other_bytes": 0, "keep_bytes": 20 * MB, "favourites_count": False}
    assert given_up([LOVED], short_bytes=100 * MB, **bounds) == ()


@pytest.mark.parametrize(
    ("free_mb", "short_mb"), [(500, 0), (499, 101), (100, 500), (0, 600), (550, 0), (601, 0)]
)
def test_how_short_of_room_a_card_is(free_mb, short_mb):
    """Nothing from the bound on; below it, up to where "room again" is told."""
    assert short_bytes(free_mb * MB, 500 * MB) == short_mb * MB
