"""Many policies compared, in two processes."""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from multiprocessing import get_context
from random import Random
from typing import NamedTuple

from reading.compare import difference, difference_of_days
from reading.days import days
from reading.made import case
from reading.seasons import difference_of_season, season

PROCESSES = 2
DAYS_IN = 10  # of so many policies one has whole days, the others visits one after another


class Found(NamedTuple):
    """What came of one policy."""

    seed: int
    visits: int
    whole_days: bool
    difference: str | None


def compared(seed: int, families: frozenset[str]) -> Found:
    chance = Random(seed)
    if "absence" in families and seed % DAYS_IN == DAYS_IN // 2:
        quiet_days = season(chance)
        return Found(seed, len(quiet_days.stretches), True, difference_of_season(quiet_days))
    if seed % DAYS_IN == 0:
        made = days(chance, families)
        return Found(seed, len(made.instants), True, difference_of_days(made))
    one = case(chance, families)
    return Found(seed, len({ask.visit.id for ask in one.asks}), False, difference(one))


def all_compared(first: int, count: int, families: frozenset[str]) -> Iterator[Found]:
    with get_context("spawn").Pool(PROCESSES) as pool:
        yield from pool.imap(partial(compared, families=families), range(first, first + count), chunksize=50)
