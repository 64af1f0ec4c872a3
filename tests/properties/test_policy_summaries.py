"""Every visit that was stored is in exactly one summary, whenever it began and ended."""

from __future__ import annotations

import re
import tempfile
from datetime import timedelta
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

from dooryard.core.clock import FakeClock
from dooryard.core.records import Moment, Outcome, Visit
from dooryard.gate.settings import GateSettings
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.policy.decide import decide
from dooryard.policy.state import PolicyState
from dooryard.service.summaries import tell_summary
from dooryard.tracking.track import VisitSettings
from fakes.rules import SINKS, later, policy, visit

HOUR_S = 3600.0
RULES = policy(
    {"cooldown_min": 0}, summary={"at": "20:00"}, hours={"quiet": {"from": "21:00", "to": "07:00"}}
)
GIVEN = Conditions(RULES, GateSettings(), VisitSettings(), SINKS)
DAYS = st.lists(
    st.tuples(st.floats(0, 5 * 24 * HOUR_S), st.floats(1, 8 * HOUR_S), st.floats(0, HOUR_S)), max_size=12
)


class CutStore:
    """A store whose writings fail at the numbers given, as if the power went."""

    def __init__(self, store, cut):
        self._store, self._cut, self._writes = store, cut, 0

    def __getattr__(self, name):
        if name in ("add_alert", "save_state"):
            self._writes += 1
            if self._writes in self._cut:
                raise InterruptedError
        return getattr(self._store, name)


def stored(store: Store, seen: Visit, at: Moment) -> Outcome:
    _, decision = decide(RULES, PolicyState(), seen, at, True, sinks=SINKS)
    store.record_visit(seen, None, decision, [], clock_set=True)
    return decision.outcome


@settings(max_examples=40, deadline=None)
@given(DAYS, st.sets(st.integers(1, 20), max_size=4))
@example([(0.0, 1.0, 0.0)], {1, 2})  # the first summary of all is cut until the next evening
def test_each_visit_is_in_exactly_one_summary(days, cut):
    """`days`: when each began, how long it stayed, and how long the disk refused it."""
    number_of = {f"visit-{i}": i for i in range(len(days))}
    events = []
    for i, (began_s, stay_s, refused_s) in enumerate(days):
        seen = visit(f"sort{i}", start=later(began_s), stay_s=stay_s, number=i, ended=True)
        events.append((began_s + stay_s + refused_s, seen))
    events += [(HOUR_S / 2 * k + 1, None) for k in range(2 * 24 * 7)]
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(Path(folder) / "state", FakeClock())
        cutting = CutStore(store, cut)
        for at_s, seen in sorted(events, key=lambda event: event[0]):
            if seen is not None:
                stored(store, seen, later(at_s))
                continue
            try:
                tell_summary(cutting, GIVEN, later(at_s))
            except InterruptedError:
                continue
        texts = "\n".join(store.alert(waiting.alert).text for waiting in store.pending("phone"))
        store.close()
    told = re.findall(r"Sort(\d+): (?:at|(\d+) times)", texts)
    assert sorted(int(number) for number, _times in told) == sorted(number_of.values())
    assert not any(times for _number, times in told)


SINK_TABLES = st.sampled_from(
    [
        (),
        ({"name": "phone", "summary_at": "07:00"},),
        ({"name": "phone", "summary_at": "21:45"}, {"name": "post", "summary_at": "12:00"}),
        ({"name": "phone", "quiet": [], "at_most_per_day": 3},),
    ]
)


def with_sinks(tables) -> Conditions:
    rules = RULES.model_copy(update={"sink": policy({}, sink=list(tables)).sink})
    return Conditions(rules, GateSettings(), VisitSettings(), SINKS)


@settings(max_examples=60, deadline=None)
@given(DAYS, st.sets(st.integers(1, 30), max_size=5), st.lists(SINK_TABLES, min_size=1, max_size=4))
@example([(0.0, 1.0, 0.0)], {1, 2}, [({"name": "phone", "summary_at": "07:00"},)])
@example([(10 * HOUR_S, 1.0, 0.0)], set(), [(), ({"name": "phone", "summary_at": "07:00"},)])
@example([(10 * HOUR_S, 1.0, 0.0)], set(), [({"name": "phone", "summary_at": "07:00"},), ()])
def test_each_visit_is_in_exactly_one_summary_of_each_sink(days, cut, tables):
    """`tables`: what the policy says of single sinks, changed in turn every 31 hours."""
    events = []
    for i, (began_s, stay_s, refused_s) in enumerate(days):
        seen = visit(f"sort{i}", start=later(began_s), stay_s=stay_s, number=i, ended=True)
        events.append((began_s + stay_s + refused_s, seen))
    events += [(HOUR_S / 2 * k + 1, None) for k in range(2 * 24 * 8)]
    with tempfile.TemporaryDirectory() as folder:
        store = Store.open(Path(folder) / "state", FakeClock())
        cutting = CutStore(store, cut)
        for at_s, seen in sorted(events, key=lambda event: event[0]):
            if seen is not None:
                stored(store, seen, later(at_s))
                continue
            turn = min(int(at_s // (31 * HOUR_S)), len(tables) - 1)
            try:
                tell_summary(cutting, with_sinks(tables[turn]), later(at_s))
            except InterruptedError:
                continue
        texts = {
            sink: "\n".join(store.alert(each.alert).text for each in store.pending(sink)) for sink in SINKS
        }
        store.close()
    for text in texts.values():
        told = re.findall(r"Sort(\d+): (?:at|(\d+) times)", text)
        assert sorted(int(number) for number, _times in told) == list(range(len(days)))
        assert not any(times for _number, times in told)


def test_a_summary_of_its_own_goes_to_that_sink_alone_at_its_hour(tmp_path):
    store = Store.open(tmp_path / "state", FakeClock())
    given = with_sinks([{"name": "phone", "summary_at": "17:00"}, {"name": "post", "summary_at": "never"}])
    assert not tell_summary(store, given, later(2 * HOUR_S))  # 16:03
    assert tell_summary(store, given, later(3 * HOUR_S))
    assert not tell_summary(store, given, later(3 * HOUR_S + 60))
    (phone,) = store.pending("phone")
    assert phone.alert == "summary-2026-06-14-for-phone"
    tell_summary(store, given, later(6 * HOUR_S))  # 20:03, the hour of the others
    assert (len(store.pending("phone")), len(store.pending("post"))) == (1, 0)
    store.close()


def test_a_visit_that_is_held_over_the_summary_is_in_the_next(tmp_path):
    store = Store.open(tmp_path / "state", FakeClock())
    at_eight = later(6 * HOUR_S)  # START is 14:03 in London, so this is 20:03
    assert tell_summary(store, GIVEN, at_eight)
    lasting = visit("squirrel", start=later(-600, at_eight), stay_s=2 * HOUR_S, ended=True)
    assert stored(store, lasting, later(2 * HOUR_S, at_eight)) is Outcome.HOLD
    assert tell_summary(store, GIVEN, Moment(at_eight.wall + timedelta(days=1), at_eight.mono_s + 86400))
    (newest, *_rest) = store.pending("phone")
    assert store.alert(newest.alert).text == "Squirrel: at 19:53 (1 held in quiet hours)"
    store.close()
