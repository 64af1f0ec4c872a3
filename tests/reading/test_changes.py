"""A single change of the engine is found by the second reading."""

from __future__ import annotations

from functools import cache
from random import Random

import pytest

from reading.changes import CHANGES, Change, changed
from reading.compare import difference
from reading.families import COMPARED
from reading.made import Case, case

MOST_CASES = 1500


@cache
def made(seed: int) -> Case:
    return case(Random(seed), COMPARED)


def first_found(change: Change) -> int | None:
    """The first made case of which the changed engine decides otherwise."""
    decide, state = changed(change)
    for seed in range(MOST_CASES):
        if difference(made(seed), decide, state.PolicyState()) is not None:
            return seed
    return None


@pytest.mark.parametrize("change", CHANGES, ids=lambda change: f"{change.module}: {change.old.strip()[:60]}")
def test_a_change_is_found(change):
    assert first_found(change) is not None


def test_the_engine_itself_is_loaded_unchanged():
    decide, state = changed(Change("limits", "HOUR_S = 3600.0", "HOUR_S = 3600.00"))
    assert all(difference(made(seed), decide, state.PolicyState()) is None for seed in range(50))
