from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from dooryard.core.records import Box
from dooryard.gate.grid import (
    box_mean,
    broad_mean,
    cell_means,
    cell_size,
    cell_sums,
    cells_of,
    downsampled,
    grid_shape,
    mask_of,
    neighbour_max,
    polygon_mask,
    product,
    upsampled,
)

SHAPES = [(120, 160), (240, 320), (480, 640), (288, 352), (300, 400), (270, 480), (180, 320)]


@pytest.mark.parametrize("shape", SHAPES)
def test_sums_are_those_of_plain_blocks(shape):
    luma = np.random.default_rng(1).integers(0, 256, shape, dtype=np.uint8)
    size = cell_size(shape)
    rows, cols = grid_shape(shape)
    plain = luma[: rows * size, : cols * size].reshape(rows, size, cols, size).sum((1, 3))
    assert 60 <= cols <= 120
    assert np.array_equal(cell_sums(luma), plain)


@pytest.mark.parametrize("shape", SHAPES)
def test_how_a_luma_lies_in_memory_does_not_matter(shape):
    luma = np.random.default_rng(1).integers(0, 256, shape, dtype=np.uint8)
    padded = np.zeros((shape[0], shape[1] + 48), np.uint8)
    padded[:, : shape[1]] = luma
    for other in (np.asfortranarray(luma), padded[:, : shape[1]], luma[::-1, ::-1].copy()[::-1, ::-1]):
        means = cell_means(other)
        assert means.flags.c_contiguous
        assert np.array_equal(means, cell_means(luma))


def test_means_are_grey_levels():
    assert np.allclose(cell_means(np.full((240, 320), 77, np.uint8)), 77)


# scipy.ndimage is the outside reference for the filters.
@pytest.mark.parametrize("radius", [1, 2, 12])
@pytest.mark.parametrize("shape", [(60, 80), (61, 81), (160, 90), (9, 7)])
def test_box_mean_is_scipys_uniform_filter(radius, shape):
    values = np.random.default_rng(2).normal(0, 1, shape[::-1]).astype(np.float32).T
    wanted = ndimage.uniform_filter(values.astype(np.float64), 2 * radius + 1, mode="nearest")
    assert np.allclose(box_mean(values, radius), wanted, atol=1e-4)


def test_broad_mean_is_near_the_box_mean():
    values = ndimage.gaussian_filter(np.random.default_rng(2).normal(0, 1, (60, 81)), 3).astype(np.float32)
    broad = broad_mean(values[::2, ::2], 12, values.shape)
    assert broad.shape == (60, 81)
    assert np.abs(broad - box_mean(values, 12)).max() < 0.25 * np.abs(values).max()


@pytest.mark.parametrize("shape", [(60, 80), (61, 81), (60, 81), (75, 100), (3, 4), (2, 2)])
def test_what_lies_between_few_cells_is_filled_in(shape):
    ys, xs = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    slope = 2 * ys + 3 * xs
    back = upsampled(downsampled(slope), shape)
    assert back.shape == shape
    even = (shape[0] - 1 + shape[0] % 2, shape[1] - 1 + shape[1] % 2)  # beyond, the last cell goes on
    np.testing.assert_allclose(back[: even[0], : even[1]], slope[: even[0], : even[1]], atol=1e-4)


def test_few_cells_are_a_map_of_their_own():
    values = np.zeros((2, 2), np.float32)
    downsampled(values)[:] = 1
    assert not values.any()


# numpy.matmul as a whole is the reference.
@pytest.mark.parametrize(
    "shape", [(60, 30, 40), (160, 45, 90), (22, 1200, 22), (22, 3600, 22), (22, 4800, 22), (1, 9, 9)]
)
def test_a_product_in_parts_is_the_product(shape):
    random = np.random.default_rng(4)
    left, right = (random.normal(0, 1, part).astype(np.float32) for part in (shape[:2], shape[1:]))
    assert product(left, right) == pytest.approx(np.matmul(left, right), abs=1e-3)


def test_neighbour_max_is_scipys_maximum_filter():
    values = np.random.default_rng(3).normal(0, 1, (60, 80)).astype(np.float32)
    assert np.array_equal(neighbour_max(values), ndimage.maximum_filter(values, 3, mode="nearest"))


def test_cells_of_a_box_are_inside_the_grid_and_never_none():
    for box in (Box(0, 0, 1, 1), Box(0.999, 0.999, 1, 1), Box(0, 0, 0.001, 0.001)):
        rows, cols = cells_of(box, (60, 80), margin=2)
        assert 0 <= rows.start < rows.stop <= 60
        assert 0 <= cols.start < cols.stop <= 80


def test_mask_of_no_box_is_empty():
    assert not mask_of((), (60, 80)).any()


def test_polygon_mask_covers_a_rectangle_and_a_triangle():
    left = polygon_mask((((0.0, 0.0), (0.5, 0.0), (0.5, 1.0), (0.0, 1.0)),), (60, 80))
    assert left[:, :40].all()
    assert not left[:, 40:].any()
    triangle = polygon_mask((((0.0, 0.0), (1.0, 0.0), (0.0, 1.0)),), (60, 80))
    assert triangle.mean() == pytest.approx(0.5, abs=0.02)
