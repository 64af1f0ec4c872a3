"""The plane's parts and weights: what is left out, and that nothing counts twice."""

import numpy as np
import pytest

import model_presence
from dooryard.classify.calibration import NOBODY
from model_looks import Looks

ANIMALS, KINDS = ("blackbird", "mallard", "lark"), ("calm", "snow", "rain")


def looks() -> Looks:
    """60 looks: at three animals and at nobody in three kinds and two photographs."""
    random = np.random.default_rng(8)
    animal = np.array([("", "", "", *ANIMALS)[i % 6] for i in range(60)])
    family = np.array([(*KINDS, "grass.png", "brick.png")[i % 5] for i in range(60)])
    features = random.random((60, 16), dtype=np.float32) + (animal != "")[:, np.newaxis] * 0.5
    return Looks(
        logits=np.zeros((60, 1), dtype=np.float32),
        features=features.astype(np.float32),
        family=family,
        seed=np.zeros(60, dtype=np.int64),
        animal=animal,
        group=np.where(animal == "", NOBODY, "bird"),
        visit=np.zeros(60, dtype=np.int64),
        place=np.array([""] * 60),
        time_s=np.zeros(60),
        longer_px=np.zeros(60, dtype=np.int64),
        boxes=np.zeros((60, 4)),
    )


def test_an_animal_and_a_place_with_nobody_are_each_in_one_part():
    given = looks()
    part = model_presence.parts(given, ANIMALS, KINDS)
    for names, rows in ((given.animal, given.animal != ""), (given.family, given.animal == "")):
        for name in np.unique(names[rows]):
            assert len(np.unique(part[rows & (names == name)])) == 1


def test_nobody_weighs_as_much_as_all_animals_and_each_animal_the_same():
    given = looks()
    weight = model_presence.weights(given, np.random.default_rng(1).uniform(1, 3, 60))
    assert weight.sum() == pytest.approx(1)
    assert weight[given.animal == ""].sum() == pytest.approx(0.5)
    for name in ANIMALS:
        assert weight[given.animal == name].sum() == pytest.approx(1 / 6)


def test_what_is_said_of_a_part_comes_from_a_plane_that_did_not_see_it():
    """Another answer for the looks of one part changes nothing in what is said of that part."""
    given = looks()
    part = model_presence.parts(given, ANIMALS, KINDS)
    mine = part == part[np.flatnonzero(given.animal == "mallard")[0]]
    before = model_presence.unseen(model_presence.planes(given, np.ones(60), part), given, part)
    wrong = np.where(mine & (given.animal == ""), "bird", given.group)
    wrong = np.where(mine & (given.animal != ""), NOBODY, wrong)
    turned = Looks(**{name: getattr(given, name) for name in Looks.__dataclass_fields__} | {"group": wrong})
    after = model_presence.unseen(model_presence.planes(turned, np.ones(60), part), turned, part)
    assert np.array_equal(before[mine], after[mine])
    assert not np.array_equal(before[~mine], after[~mine])
