from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy import ndimage

from dooryard.gate.blobs import components


def test_nothing_gives_nothing():
    assert components(np.zeros((60, 80), np.bool_)) == []


def test_corners_join_and_rows_do_not_wrap():
    mask = np.zeros((4, 5), np.bool_)
    mask[0, 4] = mask[1, 0] = True  # ends of neighbouring rows: not neighbours
    mask[2, 1] = True  # touches (1, 0) by its corner
    found = components(mask)
    assert [len(blob.cells) for blob in found] == [1, 2]
    assert found[1][1:] == (1, 0, 3, 2)


# scipy.ndimage.label with a full 3x3 structure is the outside reference.
@settings(deadline=None, max_examples=150)
@given(arrays(np.bool_, st.tuples(st.integers(1, 12), st.integers(1, 12))))
def test_components_are_those_of_scipy(mask):
    labels, number = ndimage.label(mask, np.ones((3, 3), int))
    found = components(mask)
    assert len(found) == number
    for blob in found:
        value = labels.ravel()[blob.cells[0]]
        assert np.array_equal(np.sort(blob.cells), np.flatnonzero(labels == value))
        ys, xs = np.divmod(blob.cells, mask.shape[1])
        assert (blob.y0, blob.x0, blob.y1, blob.x1) == (ys.min(), xs.min(), ys.max() + 1, xs.max() + 1)
