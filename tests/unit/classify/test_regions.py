"""Which birds may be told where."""

from __future__ import annotations

import pytest

from dooryard.classify.regions import REGIONS, of_place
from dooryard.core.errors import ConfigError
from dooryard.policy.parse import parse_policy


@pytest.mark.parametrize(
    ("birds", "at", "region"),
    [
        (None, (51.752, -1.258), "europe"),  # Alder Row
        (None, (44.97, -93.26), "north america"),  # Minneapolis
        (None, (-33.87, 151.21), None),  # Sydney: no list, so all may be told
        (None, (None, None), None),
        (("europe",), (44.97, -93.26), "europe"),
        (("North America",), (None, None), "north america"),
        (("anywhere",), (51.752, -1.258), None),
    ],
)
def test_by_the_owners_word_or_by_the_place(birds, at, region):
    assert of_place(birds, *at) == (REGIONS[region] if region else None)


def test_a_robin_is_another_bird_on_the_other_shore():
    assert "Turdus migratorius" not in of_place(None, 51.752, -1.258)
    assert "Turdus migratorius" in of_place(None, 44.97, -93.26)
    assert "Erithacus rubecula" in of_place(None, 51.752, -1.258)


def test_a_list_of_ones_own():
    assert of_place(("Pica pica", "Parus major"), 51.0, 0.0) == {"Pica pica", "Parus major"}


def test_in_a_policy_and_what_is_wrong_with_it():
    assert parse_policy('[place]\nbirds = "europe"', "p.toml").value.place.birds == ("europe",)
    with pytest.raises(ConfigError) as caught:
        parse_policy('[place]\nbirds = ["robin"]', "p.toml")
    assert "p.toml:2: place.birds" in caught.value.what
    assert '"robin" is neither a region nor a scientific name' in caught.value.what
