from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from dooryard.core.clock import FakeClock
from dooryard.outbox import upkeep
from dooryard.outbox.schedule import Delivery, DeliveryState
from dooryard.outbox.store import Store
from unit.outbox.builders import JPEG, MONO_S, START, alert, decision, visit

DAY_S = 86400.0
PLENTY = 10**12


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    made = Store.open(tmp_path, FakeClock(START, MONO_S))
    yield made
    made.close()


def put(store: Store, number: int, days: float, *, told: bool = True, clock_set: bool = True) -> str:
    """A visit that began `days` after the start, with one alert."""
    one = visit(number, t=days * DAY_S)
    message = alert(number, one)
    store.record_visit(one, JPEG, decision(one), [message], clock_set=clock_set)
    if told:
        store.mark(Delivery(message.id, "phone", 0, MONO_S, MONO_S, state=DeliveryState.SENT), MONO_S)
    return one.id


def kept(store: Store) -> list[str]:
    return [row["id"] for row in store._engine.select(dict, "SELECT id FROM visits ORDER BY seq")]


def test_what_is_too_old_and_told_goes_with_its_picture(store: Store) -> None:
    ids = [put(store, number, number, told=number != 1) for number in range(6)]
    removed = store.upkeep(2.5, PLENTY, START + timedelta(days=5))
    assert kept(store) == [ids[1], *ids[3:]]
    assert removed == upkeep.Removed(2, 0, removed.pictures, 0)
    assert sorted(removed.pictures) == sorted(f"2026/06/{14 + n}/{ids[n]}.jpg" for n in (0, 2))
    assert not (store.folder / "pictures/2026/06/14").exists()
    assert (store.folder / "pictures/2026/06/15").exists()
    assert not store.upkeep(2.5, PLENTY, START + timedelta(days=5))


def test_a_clock_far_ahead_does_not_empty_the_folder(store: Store) -> None:
    ids = [put(store, number, number) for number in range(3)]
    assert not store.upkeep(30, PLENTY, START + timedelta(days=365))
    assert kept(store) == ids


def test_a_clock_far_behind_does_not_either(store: Store) -> None:
    ids = [put(store, number, number) for number in range(3)]
    assert not store.upkeep(1, PLENTY, START - timedelta(days=365))
    assert kept(store) == ids


def test_visits_from_before_the_clock_was_set_go_with_their_neighbours(store: Store) -> None:
    early = put(store, 0, -20000, clock_set=False)
    put(store, 1, 0)
    late = put(store, 2, -20000, clock_set=False)
    last = put(store, 3, 10)
    assert store.visit(early)
    store.upkeep(5, PLENTY, START + timedelta(days=10))
    assert kept(store) == [late, last]


def test_bytes_are_won_by_pictures_the_oldest_told_first(store: Store) -> None:
    ids = [put(store, number, number, told=number != 0) for number in range(4)]
    base = upkeep.database_bytes(store._engine._db)
    removed = store.upkeep(365, base + 2 * len(JPEG) + 100, START + timedelta(days=3))
    assert removed.pictures == (f"2026/06/15/{ids[1]}.jpg", f"2026/06/16/{ids[2]}.jpg")
    assert kept(store) == ids
    assert (removed.visits, removed.untold_pictures) == (0, 0)
    removed = store.upkeep(365, 0, START + timedelta(days=3))
    assert removed.untold_pictures == 1
    waiting = store.alert(store.pending("phone")[0].alert)
    assert waiting is not None
    assert waiting.picture is None
    assert list((store.folder / "pictures").iterdir()) == []


def test_messages_about_the_box_age_too(store: Store) -> None:
    for number in range(3):
        store.add_alert(alert(number, None, (), wall=START + timedelta(days=number)))
    put(store, 9, 3)
    assert store.upkeep(1.5, PLENTY, START + timedelta(days=3)) == upkeep.Removed(alerts=2)


def test_rows_are_bounded_though_no_clock_is_ever_set(store: Store) -> None:
    ids = [put(store, number, number, clock_set=False) for number in range(6)]
    with store._engine.writing("test") as db:
        assert upkeep.remove_old(db, 365, START, keep_rows=4) == (2, 0)
    assert kept(store) == ids[2:]


def test_the_database_gives_space_back(store: Store) -> None:
    for order in range(60):
        put(store, order, 0.0001 * order)
    put(store, 99, 400)

    def number(pragma: str) -> int:
        return int(store._engine.select(tuple, f"PRAGMA {pragma}")[0][0])

    before = number("page_count")
    store.upkeep(1, PLENTY, START + timedelta(days=400))
    assert number("page_count") < before - 10
    assert number("freelist_count") == 0


def test_favourites_outlast_the_days_and_go_last_or_never(store: Store) -> None:
    ids = [put(store, number, number) for number in range(4)]
    loved = frozenset({ids[0]})
    store.upkeep(1.5, PLENTY, START + timedelta(days=3), loved)
    assert kept(store) == [ids[0], ids[2], ids[3]]
    removed = store.upkeep(365, 0, START + timedelta(days=3), loved)
    assert sorted(removed.pictures) == sorted(f"2026/06/{14 + n}/{ids[n]}.jpg" for n in (2, 3))
    removed = store.upkeep(365, 0, START + timedelta(days=3), loved, favourites_count=True)
    assert removed.pictures == (f"2026/06/14/{ids[0]}.jpg",)
    assert kept(store) == [ids[0], ids[2], ids[3]]
