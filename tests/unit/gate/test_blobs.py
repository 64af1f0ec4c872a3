from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from dooryard.gate.blobs import components


def test_lighter_and_darker_cells_side_by_side_are_two():
    signs = np.zeros((4, 6), np.int8)
    signs[1:3, 1:3], signs[1:3, 3:5] = 1, -1
    found, _ = components(signs)
    assert [blob[1:] for blob in found] == [(1, 1, 3, 3), (1, 3, 3, 5)]


def test_nothing_gives_nothing():
    assert components(np.zeros((60, 80), np.int8)) == ([], 0)


def test_corners_join_and_rows_do_not_wrap():
    mask = np.zeros((4, 5), np.int8)
    mask[0, 4] = mask[1, 0] = 1  # ends of neighbouring rows: not neighbours
    mask[2, 1] = 1  # touches (1, 0) by its corner
    found, _ = components(mask)
    assert [len(blob.cells) for blob in found] == [1, 2]
    assert found[1][1:] == (1, 0, 3, 2)


def test_small_ones_are_only_counted():
    signs = np.zeros((6, 6), np.int8)
    signs[0, 0] = signs[0, 5] = signs[3:5, 2:4] = 1
    found, specks = components(signs, least_cells=3)
    assert ([len(blob.cells) for blob in found], specks) == ([4], 2)


# scipy.ndimage.label with a full 3x3 structure is the outside reference.
@settings(deadline=None, max_examples=150)
@given(arrays(np.int8, st.tuples(st.integers(1, 12), st.integers(1, 12)), elements=st.integers(-1, 1)))
def test_components_are_those_of_scipy(signs):
    expected = []
    for sign in (-1, 1):
        labels, number = ndimage.label(signs == sign, np.ones((3, 3), int))
        expected += [np.flatnonzero(labels == value) for value in range(1, number + 1)]
    found, _ = components(signs)
    assert sorted(blob.cells.tolist() for blob in found) == sorted(cells.tolist() for cells in expected)
    for blob in found:
        ys, xs = np.divmod(blob.cells, signs.shape[1])
        assert (blob.y0, blob.x0, blob.y1, blob.x1) == (ys.min(), xs.min(), ys.max() + 1, xs.max() + 1)
