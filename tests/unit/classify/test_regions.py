"""Which birds may be told where."""

from __future__ import annotations

import pytest

from dooryard.classify.garden_birds import REGIONS, birds, called
from dooryard.classify.regions import of_place, region, regions_of
from dooryard.core.errors import ConfigError
from dooryard.policy.parse import parse_policy

ALDER_ROW = (51.752, -1.258)
MINNEAPOLIS = (44.97, -93.26)
NOWHERE = (None, None)


@pytest.mark.parametrize(
    ("birds", "at", "name"),
    [
        (None, ALDER_ROW, "europe"),
        (None, MINNEAPOLIS, "north america east"),
        (None, (45.52, -122.68), "north america west"),  # Portland, Oregon
        (None, (41.14, -100.76), "north america"),  # North Platte: birds of both sides meet there
        (None, (-33.87, 151.21), None),  # Sydney: no list, so all may be told
        (None, NOWHERE, None),
        (("europe",), MINNEAPOLIS, "europe"),
        (("North America",), NOWHERE, "north america"),
        (("here",), ALDER_ROW, "europe"),
        (("anywhere",), ALDER_ROW, None),
    ],
)
def test_by_the_owners_word_or_by_the_place(birds, at, name):
    assert of_place(birds, *at) == (region(name) if name else None)


def test_a_robin_is_another_bird_on_the_other_shore():
    assert "Turdus migratorius" in of_place(None, *MINNEAPOLIS) - of_place(None, *ALDER_ROW)
    assert "Erithacus rubecula" in of_place(None, *ALDER_ROW) - of_place(None, *MINNEAPOLIS)


def test_a_list_of_ones_own_takes_either_sort_of_name():
    assert of_place(("Pica pica", "great tit"), *ALDER_ROW) == {"Pica pica", "Parus major"}


def test_birds_are_added_and_struck_out():
    here = of_place(None, *MINNEAPOLIS)
    changed = of_place(("here", "eurasian magpie", "not purple finch"), *MINNEAPOLIS)
    assert changed - here == {"Pica pica"}
    assert here - changed == {"Haemorhous purpureus", "Carpodacus purpureus"} & here
    assert of_place(("not purple finch",), *MINNEAPOLIS) == changed - {"Pica pica"}


def test_a_revised_bird_is_struck_out_by_any_of_its_names():
    for name in ("Astur cooperii", "Accipiter cooperii", "cooper's hawk", "Cooper’s Hawk"):
        assert not {"Astur cooperii", "Accipiter cooperii"} & of_place((f"not {name}",), *MINNEAPOLIS)


def test_a_scientific_name_that_no_table_knows_may_be_one_of_your_own_models():
    assert of_place(("Dinornis robustus",), *NOWHERE) == {"Dinornis robustus"}


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        (("atlantis",), '"atlantis" is no region and no bird that is known'),
        (("house sparow",), 'did you mean "house sparrow"?'),
        (("Passer domesticuz",), 'did you mean "Passer domesticus"?'),
        (("robin",), '"robin" may be more than one bird'),
        (("anywhere", "not house sparrow"), "there is no list for this place"),
        (("here", "not atlantis"), '"atlantis" is no region and no bird that is known'),
    ],
)
def test_what_is_wrong_with_a_list_is_told(wanted, says):
    with pytest.raises(ConfigError) as caught:
        of_place(wanted, *ALDER_ROW)
    assert says in f"{caught.value.what} {caught.value.remedy}"


def test_in_a_policy_and_what_is_wrong_with_it():
    assert parse_policy('[place]\nbirds = "europe"', "p.toml").value.place.birds == ("europe",)
    with pytest.raises(ConfigError) as caught:
        parse_policy('[place]\nbirds = ["robin"]', "p.toml")
    assert "p.toml:2: place.birds" in caught.value.what
    assert '"robin" may be more than one bird' in caught.value.what
    assert '"american robin"' in caught.value.what


def test_scientific_names_and_the_names_that_are_told_are_one_birds_alone():
    """A shorter name may be shared ("robin", "scrub jay"): whoever writes it is asked which bird is meant."""
    latin = [name for bird in birds() for name in bird.scientific]
    assert len(latin) == len(set(latin))
    for bird in birds():
        assert called(bird.names[0]) == (bird,)


@pytest.mark.parametrize(
    ("here", "there"),
    [
        ("great northern diver", "common loon"),
        ("goosander", "common merganser"),
        ("sand martin", "bank swallow"),
        ("grey heron", "gray heron"),
        ("goldcrest", "goldcrest"),
    ],
)
def test_a_bird_has_its_names_of_both_sides_of_the_atlantic(here, there):
    """Pairs from memory."""
    assert called(here)
    assert called(here) == called(there)


def test_every_region_has_its_commonest_visitors():
    """From memory: birds that nobody who feeds them would miss on the list."""
    expected = {
        "north america east": "northern cardinal, blue jay, mourning dove, black-capped chickadee",
        "north america west": "steller's jay, anna's hummingbird, house finch, spotted towhee, bushtit",
        "europe": "blue tit, great tit, european robin, eurasian blackbird, house sparrow, goldfinch",
    }
    assert set(expected) == set(REGIONS)
    for where, names in expected.items():
        for name in names.split(", "):
            assert any(where in bird.regions for bird in called(name)), (where, name)


def test_a_place_on_no_known_continent_has_no_region():
    assert regions_of(*NOWHERE) == regions_of(-33.87, 151.21) == ()
