"""The species model that ships: its files fit each other, and lists and labels agree."""

from __future__ import annotations

import hashlib

import pytest

from dooryard.classify.garden_birds import REGIONS, birds, called
from dooryard.classify.onnx import BUILT_IN_BIRDS
from dooryard.classify.regions import NORTH_AMERICA, region
from dooryard.classify.species import Classes, Numbers
from dooryard.service.known_visitors import card_of, known_visitors, labels_of

LABELS = labels_of(BUILT_IN_BIRDS)
CARD = card_of(BUILT_IN_BIRDS)
KNOWN = {label.scientific for label in LABELS if label.trusted}
# Birds on a list that the model does not know: all of Europe.
NOT_KNOWN = {
    "Certhia brachydactyla",
    "Certhia familiaris",
    "Columba oenas",
    "Dendrocopos syriacus",
    "Lophophanes cristatus",
    "Phylloscopus trochilus",
    "Poecile montanus",
    "Poecile palustris",
    "Strix aluco",
    "Turdus iliacus",
}


def test_the_card_says_which_files_they_are():
    for name, digest in ((CARD.model, CARD.model_sha256), (CARD.labels, CARD.labels_sha256)):
        assert hashlib.sha256(BUILT_IN_BIRDS.with_name(name).read_bytes()).hexdigest() == digest


def test_the_card_says_its_limits_in_one_line_and_at_most_ten_numbers():
    assert "wrong at times" in CARD.limits
    assert "\n" not in CARD.limits
    assert len(Numbers.__dataclass_fields__) + 1 <= 10  # and the noise filter's gain


def test_every_label_is_a_species_of_the_table_or_is_never_told():
    for label in LABELS:
        if label.trusted:
            (bird,) = called(label.scientific)
            assert label.name == bird.names[0]
        else:
            assert label.scientific is None
    assert sum(not label.trusted for label in LABELS) == 3  # two hybrids and the background


def test_subspecies_and_plumages_have_no_name_of_their_own():
    """Slate-colored, Oregon and grey-headed juncos are one species (from memory), in four classes."""
    assert [label.name for label in LABELS if label.scientific == "Junco hyemalis"] == ["dark-eyed junco"] * 4
    assert all(len(label.scientific.split()) == 2 for label in LABELS if label.trusted)


def test_every_listed_bird_is_known_to_the_model_but_these():
    missing = {bird.scientific[0] for bird in birds() if bird.regions and KNOWN.isdisjoint(bird.scientific)}
    assert missing == NOT_KNOWN


@pytest.mark.parametrize("where", [*REGIONS, NORTH_AMERICA])
def test_every_list_names_birds_enough(where):
    told = Classes(LABELS, region(where))
    assert int(told.listed.sum()) >= 75
    assert {told.species[i].scientific for i in told.listed.nonzero()[0]} == region(where) & KNOWN


def test_a_policy_may_use_the_names_of_either_side_of_the_atlantic():
    names, group_of = known_visitors(species_card=BUILT_IN_BIRDS)
    wanted = {
        "great northern diver",
        "common loon",
        "sand martin",
        "bank swallow",
        "gray heron",
        "grey heron",
    }
    assert wanted <= names
    assert {group_of[name] for name in wanted} == {"bird"}
