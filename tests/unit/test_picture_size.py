"""How large a picture is stored: pure, and by the day."""

from __future__ import annotations

import io
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from dooryard.core.records import Box, Picture
from dooryard.imaging.jpeg import fitted, subject_of
from dooryard.imaging.size_budget import GOOD, SMALL, PictureDay, PictureSize, worth_storing_again
from helpers import START

DAY = date(2026, 6, 14)


def test_good_ones_until_the_share_is_used_and_again_the_next_day():
    day, sizes = PictureDay(), []
    for _ in range(12):
        sizes.append(day.size(DAY, 1_000_000))
        day = day.with_one(DAY, sizes[-1].most_bytes)
    assert sizes == [GOOD] * 9 + [SMALL] * 3
    assert day.size(DAY + timedelta(days=1), 1_000_000) is GOOD


@given(st.lists(st.floats(0.0, 1.0), max_size=300), st.integers(0, 5_000_000))
def test_a_day_never_takes_more_than_its_share_one_good_picture_and_the_small_ones(parts, share):
    day = PictureDay()
    for part in parts:
        day = day.with_one(DAY, int(day.size(DAY, share).most_bytes * part))
    assert day.stored_bytes <= share + GOOD.most_bytes + len(parts) * SMALL.most_bytes


def test_stored_again_only_if_clearly_better_and_only_while_pictures_are_good():
    assert worth_storing_again(1.0, 1.5, GOOD)
    assert not worth_storing_again(1.0, 1.3, GOOD)
    assert not worth_storing_again(1.0, 9.0, SMALL)


@pytest.mark.parametrize("size", [GOOD, SMALL])
def test_a_picture_of_a_garden_fits(size, tmp_path):
    rng = np.random.default_rng(5)  # blurred blots with a little noise: about what leaves are to a JPEG
    blots = Image.fromarray(rng.integers(0, 256, (16, 21, 3), np.uint8)).resize(
        (1640, 1232), Image.Resampling.BICUBIC
    )
    pixels = np.clip(np.asarray(blots) + rng.normal(0, 2, (1232, 1640, 3)), 0, 255).astype(np.uint8)
    box = Box(0.25, 0.25, 0.5, 0.5)
    data = fitted(Picture(7, START, pixels, box), "a bird", size)
    assert len(data) <= size.most_bytes
    with Image.open(io.BytesIO(data)) as image:
        assert max(image.size) == size.longer_px
    path = tmp_path / "a.jpg"
    path.write_bytes(data)
    assert np.allclose(subject_of(path), box, atol=0.002)


@pytest.mark.parametrize(
    ("given_px", "most_bytes", "px"), [(64, 90_000, 64), (64, 100, 64), (400, 20_000, 300)]
)
def test_a_small_picture_is_not_blown_up_and_noise_is_made_narrower(given_px, most_bytes, px):
    noise = np.random.default_rng(1).integers(0, 256, (given_px * 3 // 4, given_px, 3)).astype(np.uint8)
    data = fitted(Picture(7, START, noise, Box(0, 0, 1, 1)), "a bird", PictureSize(640, most_bytes))
    with Image.open(io.BytesIO(data)) as image:
        assert image.size[0] == px
