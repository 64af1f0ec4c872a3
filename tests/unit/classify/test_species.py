"""Which species may be told, and where."""

import numpy as np
import pytest

from dooryard.classify import species
from dooryard.classify.labels import Label
from dooryard.classify.regions import REGIONS, region
from dooryard.core.errors import ConfigError
from dooryard.core.records import Naming

NAMES = (
    ("american robin", "Turdus migratorius"),
    ("european robin", "Erithacus rubecula"),
    ("house sparrow", "Passer domesticus"),
    ("shoebill", "Balaeniceps rex"),
)
LABELS = tuple(Label(i, name, scientific, "bird", True, "") for i, (name, scientific) in enumerate(NAMES))


def logits(*chances):
    return np.log(np.array(chances)).astype(np.float32)


def told(region_name, *chances):
    return [naming.species for naming in species.told(logits(*chances), LABELS, region(region_name))]


@pytest.mark.parametrize(
    "chances", [(0.97, 0.01, 0.01, 0.01), (0.5, 0.45, 0.04, 0.01), (0.34, 0.33, 0.32, 0.01)]
)
def test_an_american_robin_is_never_told_in_europe(chances):
    for naming in species.told(logits(*chances), LABELS, region("europe")):
        assert naming.scientific != "Turdus migratorius"
        assert naming.species != "american robin"


def test_nor_does_it_become_the_european_robin_there():
    """What is most likely something that does not live there is not given the nearest listed name."""
    assert told("europe", 0.7, 0.28, 0.01, 0.01) == []


def test_each_robin_in_its_place():
    assert told("north america", 0.9, 0.06, 0.03, 0.01)[0] == "american robin"
    assert told("europe", 0.06, 0.9, 0.03, 0.01)[0] == "european robin"
    assert told("europe", 0.4, 0.5, 0.09, 0.01)[0] == "european robin"


def test_probabilities_are_of_the_listed_alone():
    """By hand: 0.6 of 0.6 + 0.2."""
    (first, *_) = species.told(logits(0.15, 0.6, 0.2, 0.05), LABELS, region("europe"))
    assert first.probability == pytest.approx(0.6 / 0.8)


def test_without_a_list_everything_may_be_told():
    (first, *_) = species.told(logits(0.1, 0.1, 0.1, 0.7), LABELS, None)
    assert (first.species, first.probability) == ("shoebill", pytest.approx(0.7))


def test_a_temperature_above_one_is_humbler():
    hot, plain = (species.told(logits(0.8, 0.1, 0.05, 0.05), LABELS, None, t)[0] for t in (2.0, 1.0))
    assert hot.probability < plain.probability


def test_a_list_binds_birds_only():
    fox, robin = (
        Naming("fox", 0.9, "red fox", "Vulpes vulpes"),
        Naming("bird", 0.9, "robin", "Turdus migratorius"),
    )
    assert species.within((fox, robin), region("europe")) == (fox,)
    assert species.within((fox, robin), None) == (fox, robin)


def test_the_surer_of_two_that_say_the_same_counts():
    model, mark = Naming("bird", 0.6, "wren", "Troglodytes troglodytes"), Naming("bird", 0.8, "wren")
    other = Naming("bird", 0.7, "dunnock")
    assert species.merged((model, other), mark) == (mark, other)
    assert species.merged((), None) == ()


def test_own_list():
    own = region(("Passer domesticus",))
    assert [n.species for n in species.told(logits(0.1, 0.1, 0.7, 0.1), LABELS, own)] == ["house sparrow"]


@pytest.mark.parametrize("wrong", ["atlantis", ("house sparrow",), ("Passer",)])
def test_wrong_regions(wrong):
    with pytest.raises(ConfigError):
        region(wrong)


def test_no_robin_of_one_continent_is_on_the_list_of_the_other():
    assert "Turdus migratorius" in REGIONS["north america"] - REGIONS["europe"]
    assert "Erithacus rubecula" in REGIONS["europe"] - REGIONS["north america"]
