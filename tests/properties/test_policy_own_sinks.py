"""Sinks of their own: the engine and a second, simple reading of the reference's words send alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.core.records import Outcome
from dooryard.policy.decide import decide
from dooryard.policy.fields import WEEK
from dooryard.policy.holding import held_back
from dooryard.policy.sink_hours import as_for
from dooryard.policy.sink_limits import MOST_HELD
from dooryard.policy.state import PolicyState
from fakes.rules import later, policy, visit

SINKS = ("hut", "phone", "post")
WINDOWS = st.sampled_from(
    [
        None,
        [],
        [{"from": "22:00", "to": "06:00"}],
        [{"from": "20:30", "to": "23:00"}, {"from": "23:00", "to": "01:00", "days": ["Sun", "Mon"]}],
        [{"from": "13:00", "to": "15:00", "days": ["Mon", "Tue"]}],
    ]
)
BOUND = st.sampled_from([None, None, 1, 3])


@st.composite
def tables(draw):
    found = []
    for name in draw(st.sets(st.sampled_from(SINKS))):
        keys = {"quiet": draw(WINDOWS), "at_most_per_hour": draw(BOUND), "at_most_per_day": draw(BOUND)}
        found.append({"name": name} | {key: value for key, value in keys.items() if value is not None})
    return found


def quiet_of(sinks, quiet, name):
    own = next((table for table in sinks if table["name"] == name), {})
    return own.get("quiet", quiet)


def is_open(windows: Sequence[Mapping[str, Any]], local: datetime) -> bool:
    for window in windows:
        for days_ago in (0, 1):
            midnight = local.replace(hour=0, minute=0, second=0, microsecond=0) - timedelta(days=days_ago)
            if WEEK[midnight.weekday()] not in window.get("days", WEEK):
                continue
            start, end = midnight + of_day(window["from"]), midnight + of_day(window["to"])
            if end <= start:
                end += timedelta(days=1)
            if start <= local < end:
                return True
    return False


def of_day(text: str) -> timedelta:
    hours, minutes = text.split(":")
    return timedelta(hours=int(hours), minutes=int(minutes))


def stretch_end(windows, local):
    while is_open(windows, local):
        local += timedelta(minutes=1)
    return local.replace(second=0, microsecond=0)


def expected(sinks, quiet, *, urgent, sends, local, sent, waiting):
    """Who is told now, and who gets it when its quiet hours end. `sent`: sink -> when; `waiting`: ends."""
    left = []
    for name in SINKS:
        own = next((table for table in sinks if table["name"] == name), {})
        in_hour = sum(local - at < timedelta(hours=1) for at in sent[name])
        today = sum(at.date() == local.date() for at in sent[name])
        over = in_hour >= own.get("at_most_per_hour", 10**6) or today >= own.get("at_most_per_day", 10**6)
        if urgent or not over:
            left.append(name)
    asleep = [name for name in left if not urgent and is_open(quiet_of(sinks, quiet, name), local)]
    now = [name for name in left if name not in asleep]
    if any("quiet" in table for table in sinks):
        ends = {name: stretch_end(quiet_of(sinks, quiet, name), local) for name in asleep}
        full = {name for name, end in ends.items() if waiting[name].count(end) >= MOST_HELD}
        for name, end in ends.items():
            waiting[name].append(end)
    else:  # one stretch for all, as ever
        full = set()
        if asleep and not now:
            end = stretch_end(quiet, local)
            full = set(asleep) if waiting[""].count(end) >= MOST_HELD else full
            waiting[""].append(end)
    later_on = [name for name in asleep if sends and name not in full]
    return now, later_on, bool(left)


@settings(max_examples=80, deadline=None)
@given(
    tables(),
    st.sampled_from([[], [{"from": "21:30", "to": "07:00"}]]),
    st.booleans(),
    st.lists(st.tuples(st.floats(61, 5 * 3600), st.booleans()), min_size=1, max_size=30),
    st.booleans(),
)
def test_who_is_told_and_who_waits(sinks, quiet, sends, visits, close_together):
    rules = policy(
        {"name": "urgent", "visitor": "cat", "urgent": True, "cooldown_min": 0, "at_most_per_day": 1000},
        {"name": "usual", "cooldown_min": 0, "at_most_per_day": 1000},
        hours={"quiet": quiet, "when_quiet_ends": "send" if sends else "summary"},
        sink=sinks,
    )
    state, at_s = PolicyState(), 0.0
    sent = {name: [] for name in SINKS}
    waiting = {name: [] for name in (*SINKS, "")}
    for wait_s, urgent in visits:
        at_s += wait_s / 20 if close_together else wait_s
        now = later(at_s)
        local = now.wall.astimezone(rules.place.zone)
        seen = visit("cat" if urgent else "fox", start=now)
        state, decision = decide(rules, state, seen, now, True, sinks=frozenset(SINKS))
        to, later_on, any_left = expected(
            sinks, quiet, urgent=urgent, sends=sends, local=local, sent=sent, waiting=waiting
        )
        outcome = Outcome.TELL if to else Outcome.HOLD if any_left else Outcome.SILENT
        assert (decision.outcome, sorted(decision.sinks)) == (outcome, sorted([*to, *later_on]))
        assert decision.reason
        for name in to:
            sent[name].append(local)
        if not urgent:
            for name in decision.sinks:
                held = held_back(as_for(rules, name), "visit", now.wall, now.wall, clock_set=True)
                assert held == (name in later_on)
