"""The built-in label table against lists made by others."""

import re

import pytest

from dooryard.classify import labels
from dooryard.classify.onnx import BUILT_IN
from reference.classifier_media import media

TABLE = labels.parse(BUILT_IN.with_name("lite0-labels.csv").read_text(), 1000, "lite0-labels.csv")
BY_NAME = {label.name: label for label in TABLE}

# Where the bird list (its names follow the iNaturalist taxonomy) calls a species otherwise.
OTHER_NAMES = {
    "goldfinch": "european goldfinch",
    "robin": "american robin",
    "great grey owl": "great gray owl",
    "ostrich": "common ostrich",
    "american egret": "great egret",
    "red-backed sandpiper": "dunlin",
    "redshank": "common redshank",
}


def test_bird_names_against_an_independent_list():
    """The label list of an open classifier of 964 bird species (google-coral/test_data, Apache-2.0)."""
    lines = media("..", "models", "inat_bird_labels.txt").read_text().splitlines()
    listed = {}
    for line in lines:
        match = re.fullmatch(r"(.+) \((.+)\)", line)
        if match:
            listed[match[1]] = match[2].lower()
    checked = 0
    for label in TABLE:
        if label.group != "bird" or label.scientific not in listed:
            continue
        assert listed[label.scientific] == OTHER_NAMES.get(label.name, label.name)
        checked += 1
    assert checked >= 18


def test_classes_stand_where_the_challenge_has_them():
    """Class numbers of the ImageNet 2012 challenge, from PyPI foolbox's labelled photographs.

    Its file names give them: 22 an eagle, 99 a goose, 129 a spoonbill, 243 and 251 dogs, 305 a beetle.
    """
    assert TABLE[22].name == "bald eagle"
    assert (TABLE[99].name, TABLE[129].name) == ("goose", "spoonbill")
    assert (TABLE[243].name, TABLE[251].name) == ("bull mastiff", "dalmatian")
    assert TABLE[305].name == "dung beetle"


@pytest.mark.parametrize(
    ("group", "count"),
    [("bird", 59), ("dog", 118), ("cat", 5), ("fox", 4), ("rabbit", 3), ("squirrel", 1), ("animal", 208)],
)
def test_size_of_each_group(group, count):
    """The challenge has 398 animal classes, 59 of them birds and 118 breeds of dog (its class list)."""
    assert sum(label.group == group for label in TABLE) == count


def test_animals_come_first_and_things_have_no_group():
    assert [label.group is not None for label in TABLE] == [True] * 398 + [False] * 602


@pytest.mark.parametrize(
    "name",
    [
        "robin",
        "house finch",
        "brambling",
        "goldfinch",
        "fox squirrel",
        "porcupine",
        "skunk",
        "tabby",
        "bald eagle",
    ],
)
def test_names_that_take_others_are_not_told(name):
    assert not BY_NAME[name].trusted
    assert BY_NAME[name].reason


def test_every_name_that_is_told_is_one_species():
    told = [label for label in TABLE if label.trusted]
    assert told
    assert all(re.fullmatch(r"[A-Z][a-z]+ [a-z]+", label.scientific or "") for label in told)
