"""The search's arrays say what the daemon says: else the numbers would be chosen for something else."""

from __future__ import annotations

import numpy as np
import pytest

import measure_visits
import visit_tables
from dooryard.classify import regions
from dooryard.classify.onnx import BUILT_IN_BIRDS
from dooryard.classify.species import Classes, Numbers
from dooryard.service.known_visitors import labels_of
from visit_looks import LOOKS, Answers

VISITS = 200
LABELS = labels_of(BUILT_IN_BIRDS)
REGION = regions.region(regions.NORTH_AMERICA)


def study() -> measure_visits.Study:
    """Random visits: some clear, some of two look-alikes, some of nothing."""
    random = np.random.default_rng(3)
    logits = random.normal(0, 1.5, (VISITS, LOOKS, len(LABELS)))
    listed = [label.index for label in LABELS if label.scientific in REGION]
    truth = np.where(
        random.random(VISITS) < 0.8, random.choice(listed, VISITS), random.integers(0, len(LABELS), VISITS)
    )
    strength = random.uniform(6, 18, (VISITS, 1)) * random.uniform(0.5, 1, (VISITS, LOOKS))
    np.put_along_axis(logits, truth[:, None, None].repeat(LOOKS, 1), strength[..., None], axis=-1)
    near = random.choice([0.5, 1.0], (VISITS, 1))
    alike = random.choice(listed, VISITS)  # what each is taken for where its own name is struck out
    np.put_along_axis(logits, alike[:, None, None].repeat(LOOKS, 1), (near * strength)[..., None], axis=-1)
    filtered = logits + random.normal(0, 1, logits.shape)
    empty = np.zeros((VISITS, LOOKS, 1), np.float32)
    answers = Answers(
        species=np.array([LABELS[i].name for i in truth]),
        gain=random.uniform(1, 16, (VISITS, LOOKS)).astype(np.float32),
        side_px=np.full((VISITS, LOOKS), 96, np.int32),
        blur_px=np.zeros((VISITS, LOOKS), np.float32),
        sharpness=np.ones((VISITS, LOOKS), np.float32),
        first=empty,
        features=empty,
        which=logits.astype(np.float32),
        first_filtered=empty,
        features_filtered=empty,
        which_filtered=filtered.astype(np.float32),
    )
    groups = tuple(
        tuple({"bird": float(random.choice([0.2, 0.8, 0.98], p=[0.15, 0.25, 0.6]))} for _ in range(LOOKS))
        for _ in range(VISITS)
    )
    return measure_visits.Study(answers, groups, tuple(LABELS[i].scientific for i in truth), LABELS)


@pytest.mark.parametrize(
    "numbers",
    [Numbers(1.0, 0.05, 1.0, 0.5), Numbers(0.8, 0.2, 0.2, 0.3), Numbers(1.4, 0.02, 0.3, 0.7)],
    ids=["plain", "bold", "shy"],
)
def test_as_arrays_and_as_the_daemon_does(numbers):
    those = study()
    table = visit_tables.table(those, Classes(LABELS, REGION), numbers.temperature, 8.0)
    named, right = visit_tables.told(table, numbers)
    real = measure_visits.outcome(those, REGION, numbers, 8.0)
    assert 0.05 < real.named.mean() < 0.9
    assert (named == real.named).mean() >= 0.98
    assert (right == real.right).mean() >= 0.98
    assert table.on_list.tolist() == [truth in REGION for truth in those.truth]


def test_struck_from_the_list_too():
    those, numbers = study(), Numbers(1.0, 0.05, 0.5, 0.5)
    table = visit_tables.table(those, Classes(LABELS, REGION), numbers.temperature, 8.0)
    found, _right = visit_tables.told(table, numbers, struck=True)
    real = measure_visits.struck(those, REGION, numbers, 8.0)
    assert found[table.on_list].mean() == pytest.approx(real.mean(), abs=0.02)
    assert real.any()
