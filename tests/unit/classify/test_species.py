"""Which species may be told, and where."""

import numpy as np
import pytest

from dooryard.classify import species
from dooryard.classify.labels import Label
from dooryard.classify.regions import of_place, region
from dooryard.classify.species import Classes, Numbers
from dooryard.core.errors import ConfigError
from dooryard.core.records import Naming

NAMES = (
    ("american robin", "Turdus migratorius"),
    ("european robin", "Erithacus rubecula"),
    ("house sparrow", "Passer domesticus"),
    ("shoebill", "Balaeniceps rex"),
)
LABELS = tuple(Label(i, name, scientific, "bird", True, "") for i, (name, scientific) in enumerate(NAMES))


PLAIN = Numbers()


def logits(*chances):
    return np.log(np.array(chances)).astype(np.float32)


def told(region_name, *chances, numbers=PLAIN):
    classes = Classes(LABELS, region(region_name) if region_name else None)
    return species.told(logits(*chances), classes, numbers)


def names(namings):
    return [naming.species for naming in namings]


@pytest.mark.parametrize(
    "chances", [(0.97, 0.01, 0.01, 0.01), (0.5, 0.45, 0.04, 0.01), (0.34, 0.33, 0.32, 0.01)]
)
def test_an_american_robin_may_never_be_told_in_europe(chances):
    assert "american robin" not in names(told("europe", *chances).listed)
    assert "american robin" in names(told("europe", *chances).unlisted)


def test_nor_does_it_become_the_european_robin_there():
    """What is most likely something that does not live there keeps most of the probability."""
    assert told("europe", 0.7, 0.28, 0.01, 0.01).listed[0].probability == pytest.approx(0.28)


def test_each_robin_in_its_place():
    assert names(told("north america", 0.9, 0.06, 0.03, 0.01).listed)[0] == "american robin"
    assert names(told("europe", 0.06, 0.9, 0.03, 0.01).listed)[0] == "european robin"
    assert names(told("europe", 0.4, 0.5, 0.09, 0.01).listed)[0] == "european robin"


def test_what_is_not_listed_counts_in_parts():
    """By hand: 0.6 of 0.6 + 0.2 + half of 0.15 and of 0.05."""
    found = told("europe", 0.15, 0.6, 0.2, 0.05, numbers=Numbers(unlisted=0.5))
    assert found.listed[0].probability == pytest.approx(0.6 / 0.9)
    assert found.unlisted[0].probability == pytest.approx(0.075 / 0.9)


def test_a_look_that_may_show_no_name_is_less_sure_of_one():
    """By hand: nine tenths of 0.97, and a quarter of the tenth that is anybody's."""
    found = told(None, 0.97, 0.01, 0.01, 0.01, numbers=Numbers(nameless=0.1))
    assert found.listed[0].probability == pytest.approx(0.9 * 0.97 + 0.1 / 4)


def test_without_a_list_everything_may_be_told():
    (first, *_) = told(None, 0.1, 0.1, 0.1, 0.7).listed
    assert (first.species, first.probability) == ("shoebill", pytest.approx(0.7))


def test_a_temperature_above_one_is_humbler():
    hot, plain = (
        told(None, 0.8, 0.1, 0.05, 0.05, numbers=Numbers(temperature=t)).listed[0] for t in (2.0, 1.0)
    )
    assert hot.probability < plain.probability


def test_subspecies_and_plumages_count_for_their_species():
    labels = (*LABELS, Label(4, "house sparrow", "Passer domesticus", "bird", True, ""))
    found = species.told(logits(0.3, 0.1, 0.25, 0.05, 0.3), Classes(labels, None), Numbers())
    assert found.listed[0].species == "house sparrow"
    assert found.listed[0].probability == pytest.approx(0.55)


def test_a_class_of_no_species_is_never_told():
    labels = (*LABELS[:3], Label(3, "background", None, None, False, ""))
    found = species.told(logits(0.05, 0.05, 0.1, 0.8), Classes(labels, None), Numbers())
    assert "background" not in names(found.listed)


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
    own = of_place(("Passer domesticus",), None, None)
    found = species.told(logits(0.1, 0.1, 0.7, 0.1), Classes(LABELS, own), Numbers())
    assert names(found.listed) == ["house sparrow"]


@pytest.mark.parametrize("wrong", ["atlantis", "house sparrow"])
def test_wrong_regions(wrong):
    with pytest.raises(ConfigError, match="there is no list of birds"):
        region(wrong)


def test_no_robin_of_one_continent_is_on_the_list_of_the_other():
    assert "Turdus migratorius" in region("north america") - region("europe")
    assert "Erithacus rubecula" in region("europe") - region("north america")
