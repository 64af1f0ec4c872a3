"""From logits to who is there."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays
from scipy import special

from dooryard.classify import scores
from dooryard.classify.labels import GROUPS, Label

CLASSES = 200


def table() -> tuple[Label, ...]:
    """Ten classes of each group, the first of each trusted; the rest are things."""
    found = []
    for index in range(CLASSES):
        group = GROUPS[index // 10] if index < 10 * len(GROUPS) else None
        found.append(Label(index, f"class {index}", None, group, group is not None and index % 10 == 0, ""))
    return tuple(found)


TABLE = table()


def logits_of(**chances: float) -> np.ndarray:
    """Logits whose softmax gives `c<index>` its chance and shares out the rest evenly."""
    given_chances = {int(name[1:]): chance for name, chance in chances.items()}
    rest = (1 - sum(given_chances.values())) / (CLASSES - len(given_chances))
    values = np.full(CLASSES, rest)
    for index, chance in given_chances.items():
        values[index] = chance
    return np.log(values).astype(np.float32)


def test_one_bird_is_a_bird_and_a_trusted_species():
    reading = scores.read(logits_of(c0=0.7, c3=0.2), TABLE)
    assert reading.groups["bird"] == pytest.approx(0.9, abs=1e-6)
    assert [(name.species, round(name.probability, 6)) for name in reading.species] == [("class 0", 0.7)]


def test_an_untrusted_species_is_never_told():
    assert scores.read(logits_of(c3=0.99), TABLE).species == ()


def test_species_come_best_first():
    reading = scores.read(logits_of(c0=0.2, c10=0.6), TABLE)
    assert [(name.group, name.species) for name in reading.species] == [
        ("squirrel", "class 10"),
        ("bird", "class 0"),
    ]


def test_an_answer_spread_thinly_says_nobody():
    reading = scores.read(np.zeros(CLASSES, dtype=np.float32), TABLE)
    assert set(reading.groups.values()) == {0.0}


@pytest.mark.parametrize(("named", "animal", "told"), [(0.0, 0.9, 0.0), (0.2, 0.7, 0.2), (0.6, 0.3, 0.3)])
def test_animal_is_never_somebody_by_itself(named, animal, told):
    totals = dict.fromkeys(GROUPS, 0.0) | {"bird": named, "animal": animal}
    assert scores.evidence(totals) == totals | {"animal": told}


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_numbers_that_are_not_finite_are_refused(bad):
    logits = np.zeros(CLASSES, dtype=np.float32)
    logits[5] = bad
    with pytest.raises(ValueError, match="not finite"):
        scores.read(logits, TABLE)


@given(arrays.arrays(np.float32, CLASSES, elements=st.floats(-80, 80, width=32)))
def test_laws_of_a_reading(logits):
    reading = scores.read(logits, TABLE)
    assert list(reading.groups) == list(GROUPS)
    assert all(0 <= chance <= 1 for chance in reading.groups.values())
    assert sum(reading.groups.values()) <= 1 + 1e-9
    for name in reading.species:
        assert TABLE[int(name.species.split()[1])].trusted
        if name.group != "animal":
            assert name.probability <= reading.groups[name.group] + 1e-12


@given(arrays.arrays(np.float32, CLASSES, elements=st.floats(-80, 80, width=32)))
def test_what_counts_is_the_softmax_from_ten_times_chance_on(logits):
    """Reference: scipy's softmax."""
    expected = special.softmax(logits.astype(np.float64))
    found = scores.counted(logits)
    assert list(found) == sorted(found)
    for number, chance in enumerate(expected.tolist()):
        if number in found:
            assert found[number] == pytest.approx(chance, rel=1e-9)
            assert chance * CLASSES >= 10 * (1 - 1e-9)
        else:
            assert chance * CLASSES < 10 * (1 + 1e-9)


@given(
    arrays.arrays(np.float32, CLASSES, elements=st.floats(-80, 80, width=32)), st.floats(-50, 50, width=32)
)
def test_softmax_does_not_mind_a_shift(logits, shift):
    moved = (logits.astype(np.float64) + shift).astype(np.float32)
    one, other = scores.counted(logits), scores.counted(moved)
    for number in {*one, *other}:
        assert one.get(number, 10 / CLASSES) == pytest.approx(other.get(number, 10 / CLASSES), abs=1e-4)
