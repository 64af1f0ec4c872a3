"""Which way a look's features lie: bounds, the table it is kept in, and the fit against another's."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from sklearn.linear_model import LogisticRegression

import model_presence
from dooryard.classify.presence import MOST, Presence, leaning, parse, text, unit

PLANE = Presence(np.array([3.0, -4.0, 0.0], dtype=np.float32), 0.5)
FEATURES = arrays(
    np.float32,
    3,
    elements=st.one_of(st.just(0.0), st.floats(0.125, 1e4, width=32), st.floats(-1e4, -0.125, width=32)),
)


def test_by_hand():
    """Raised to 1.5, (1, 0, 4) is (1, 0, 8), of length sqrt(65)."""
    features = np.array([1.0, 0.0, 4.0], dtype=np.float32)
    assert unit(features) == pytest.approx(np.array([1, 0, 8]) / 65**0.5)
    assert leaning(PLANE, features) == pytest.approx(3 / 65**0.5 + 0.5)


@given(FEATURES)
def test_it_never_says_more_than_it_may(features):
    assert -MOST <= leaning(PLANE, features) <= MOST


@given(FEATURES, st.floats(0.1, 10))
def test_brightness_of_the_features_does_not_matter(features, times):
    dim = leaning(PLANE, features)
    assert leaning(PLANE, features * np.float32(times)) == pytest.approx(dim, abs=1e-3) or not features.any()


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_a_network_that_went_wrong_says_nothing(bad):
    assert leaning(PLANE, np.array([1.0, bad, 0.0], dtype=np.float32)) == 0.0


def test_a_look_at_nothing_at_all():
    assert leaning(PLANE, np.zeros(3, dtype=np.float32)) == 0.5


@given(arrays(np.float32, 4, elements=st.floats(-1e3, 1e3, width=32)))
def test_the_table_keeps_every_bit(values):
    plane = parse(text(Presence(values[1:], float(values[0]))), 3, "table")
    assert np.array_equal(plane.direction, values[1:])
    assert plane.offset == float(values[0])


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("feature,weight", "weight,feature", "own.csv: line 1: the columns must be feature,weight"),
        ("offset,0.5", "0,0.5", "own.csv: line 2: expected 'offset' and its weight, found"),
        ("1,-4.0", "2,-4.0", "own.csv: line 4: expected '1' and its weight, found"),
        ("1,-4.0", "1,four", "own.csv: line 4: 'four' is not a number"),
        ("1,-4.0", "1,nan", "own.csv: line 4: 'nan' is not a number"),
        ("1,-4.0", "1,1e39", "own.csv: line 4: '1e39' is not a number"),
        ("2,0.0\n", "", "own.csv: 3 rows, expected the offset and 3 features"),
    ],
)
def test_wrong_tables(old, new, what):
    table = text(PLANE)
    assert old in table
    with pytest.raises(ValueError, match=what):
        parse(table.replace(old, new), 3, "own.csv")


def test_the_fit_is_that_of_another_library():
    """PyPI scikit-learn's LogisticRegression; the pull is on tenths of weights: its C is 100 / (2 * pull)."""
    random = np.random.default_rng(4)
    there = random.random(200) < 0.4
    vectors = random.normal(size=(200, 5)) + there[:, np.newaxis] * [0.4, 0, -0.3, 0.2, 0]
    vectors = (vectors / np.linalg.norm(vectors, axis=1, keepdims=True)).astype(np.float32)
    weight = random.uniform(0.5, 2, 200)
    weight /= weight.sum()
    found = model_presence.plane(vectors, there, weight)
    theirs = LogisticRegression(C=50 / model_presence.PULL, tol=1e-10, max_iter=10_000)
    theirs.fit(vectors, there, sample_weight=weight)
    assert found.direction == pytest.approx(theirs.coef_[0], rel=2e-3, abs=2e-3)
    assert found.offset == pytest.approx(theirs.intercept_[0], rel=2e-3, abs=2e-3)
