"""The laws of the rules: cooldowns, caps, and a reason for everything."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.core.records import Decision, Moment, Outcome, Visit
from dooryard.policy.decide import decide
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState
from fakes.rules import ALDER_ROW, SINKS, visit

ZONES = ["Europe/London", "America/New_York", "Asia/Kathmandu", "Pacific/Apia", "UTC"]
WHO = [("bird", None), ("bird", "house finch"), ("squirrel", None), ("cat", None), ("animal", None)]
NAMES = ["bird", "house finch", "squirrel", "cat", "not sure", "anything"]
# Around a change of the clocks in London and New York, so that days of 23 and 25 hours occur.
BEGINNINGS = [datetime(2026, 3, 28, 20, tzinfo=UTC), datetime(2026, 10, 24, 20, tzinfo=UTC),
              datetime(2026, 10, 31, 20, tzinfo=UTC)]  # fmt: skip

RULES = st.fixed_dictionaries(
    {
        "visitor": st.lists(st.sampled_from(NAMES), min_size=1, max_size=3, unique=True),
        "sure": st.sampled_from([0.0, 0.5, 0.9]),
        "shortest_stay_s": st.sampled_from([0.0, 10.0]),
        "cooldown_min": st.sampled_from([0.0, 0.5, 4.0, 240.0, 3000.0]),
        "cooldown_per": st.sampled_from(["visitor", "rule"]),
        "at_most_per_day": st.integers(1, 5),
        "at_most_per_hour": st.sampled_from([None, None, 1, 3]),
        "only_first_of_day": st.sampled_from([False, False, True]),
        "urgent": st.booleans(),
        "hours": st.sampled_from(
            [[], [], [{"from": "sunrise", "to": "sunset"}], [{"from": "22:00", "to": "03:00"}]]
        ),
        "send_to": st.sampled_from([["all"], ["phone"], ["bell"], []]),
    }
)
WINDOWS = st.sampled_from([[], [{"from": "21:30", "to": "07:00"}], [{"from": "sunset", "to": "sunrise"}]])


@st.composite
def policies(draw: st.DrawFn) -> Policy:
    rules = draw(st.lists(RULES, min_size=1, max_size=4))
    return Policy.model_validate(
        {
            "place": {**ALDER_ROW, "time_zone": draw(st.sampled_from(ZONES))},
            "hours": {"quiet": draw(WINDOWS)},
            "rule": [{"name": f"rule {i}", **rule} for i, rule in enumerate(rules)],
        }
    )


@dataclass(frozen=True)
class Step:
    """What happens before the next visit, and who that is."""

    after_s: float
    who: tuple[str, str | None]
    sure: float = 0.8
    stay_s: float = 12.0
    clock_set: bool = True
    clock_step_s: float = 0.0  # the wall clock is put forward or back
    restart: str | None = None  # "process" or "board"
    outage_s: float = 0.0


STEPS = st.builds(
    Step,
    after_s=st.one_of(st.floats(0, 300), st.floats(300, 30_000)),
    who=st.sampled_from(WHO),
    sure=st.sampled_from([0.4, 0.8, 1.0]),
    stay_s=st.sampled_from([2.0, 12.0]),
    clock_set=st.sampled_from([True, True, False]),
    restart=st.sampled_from([None, None, None, "process", "board"]),
    outage_s=st.floats(0, 20_000),
)
JUMPY = st.builds(
    Step,
    after_s=st.floats(0, 2000),
    who=st.sampled_from(WHO[:3]),
    clock_set=st.booleans(),
    clock_step_s=st.sampled_from([0.0, 0.0, -86_400.0, 90_000.0, -3e8, 1e8]),
    restart=st.sampled_from([None, None, "process", "board"]),
    outage_s=st.floats(0, 2000),
)


@dataclass(frozen=True)
class Event:
    """One decision, with the true time that the box doesn't know."""

    true_s: float
    day: str  # the true local date
    visit: Visit
    decision: Decision
    outages_s: float  # of all outages so far


def live(policy: Policy, steps: list[Step], start: datetime) -> list[Event]:
    """A box that lives through `steps`: its monotonic clock starts again at each boot."""
    state, boot, mono_s, true_s, wrong_s, outages_s = PolicyState(), 0, 1000.0, 0.0, 0.0, 0.0
    events = []
    for n, step in enumerate(steps):
        if step.restart:
            text = state.to_json(Moment(start, mono_s), boot=f"b{boot}")
            true_s += step.outage_s
            outages_s += step.outage_s
            mono_s += step.outage_s
            if step.restart == "board":
                boot, mono_s = boot + 1, 20.0
            state = PolicyState.from_json(text, Moment(start, mono_s), boot=f"b{boot}")
        true_s += step.after_s
        mono_s += step.after_s
        wrong_s += step.clock_step_s
        true_wall = start + timedelta(seconds=true_s)
        shown = true_wall + timedelta(seconds=wrong_s) if step.clock_set else datetime(1970, 1, 2, tzinfo=UTC)
        now = Moment(shown, mono_s)
        seen = visit(*step.who, sure=step.sure, stay_s=step.stay_s, number=n)
        state, decision = decide(policy, state, seen, now, step.clock_set, sinks=SINKS)
        day = true_wall.astimezone(policy.place.zone).date().isoformat()
        events.append(Event(true_s, day, seen, decision, outages_s))
    return events


def told(events: list[Event]) -> list[Event]:
    return [event for event in events if event.decision.outcome is Outcome.TELL]


def same_cooldown(policy: Policy, a: Event, b: Event) -> bool:
    rule = next(rule for rule in policy.rule if rule.name == b.decision.rule)
    return a.decision.rule == b.decision.rule and (
        rule.cooldown_per == "rule" or a.visit.visitor.key == b.visit.visitor.key
    )


@settings(max_examples=250, deadline=None)
@given(policies(), st.lists(st.one_of(STEPS, JUMPY), max_size=25), st.sampled_from(BEGINNINGS))
def test_a_cooldown_is_never_early(policy, steps, start):
    cooldown_s = {rule.name: rule.cooldown_min * 60 for rule in policy.rule}
    alerts = told(live(policy, steps, start))
    for i, later_one in enumerate(alerts):
        for earlier in alerts[:i]:
            if same_cooldown(policy, earlier, later_one):
                gap_s = later_one.true_s - earlier.true_s
                assert gap_s >= cooldown_s[later_one.decision.rule] - 1e-6


@settings(max_examples=250, deadline=None)
@given(
    st.floats(0.01, 600),
    st.lists(
        st.tuples(
            st.sampled_from([0.3, 0.5, 0.7, 0.99, 1.0, 1.01]), st.sampled_from([None, "process", "board"])
        ),
        max_size=20,
    ),
)
def test_a_cooldown_ends_neither_early_nor_late(cooldown_min, parts):
    """Visits that fall about the end of a cooldown, with restarts between them but no time lost."""
    rule = {"name": "rule", "visitor": ["anything"], "cooldown_min": cooldown_min, "at_most_per_day": 1000}
    policy = Policy.model_validate({"place": ALDER_ROW, "rule": [rule]})
    cooldown_s, last_s = cooldown_min * 60, None
    steps = [Step(part * cooldown_s, WHO[0], restart=restart) for part, restart in parts]
    for event in live(policy, steps, BEGINNINGS[0]):
        left_s = -1.0 if last_s is None else last_s + cooldown_s - event.true_s
        if last_s is None or abs(left_s) > 1e-6:
            assert (event.decision.outcome is Outcome.TELL) is (left_s < 0)
        if event.decision.outcome is Outcome.TELL:
            last_s = event.true_s


@settings(max_examples=250, deadline=None)
@given(policies(), st.lists(st.one_of(STEPS, JUMPY), max_size=25), st.sampled_from(BEGINNINGS))
def test_a_cooldown_is_never_longer_than_promised_by_more_than_the_outages(policy, steps, start):
    cooldown_s = {rule.name: rule.cooldown_min * 60 for rule in policy.rule}
    events = live(policy, steps, start)
    for i, event in enumerate(events):
        if "cooldown" not in [clause.name for clause in event.decision.clauses if not clause.passed]:
            continue
        last = [e for e in told(events[:i]) if same_cooldown(policy, e, event)][-1]
        outage_s = event.outages_s - last.outages_s
        assert event.true_s - last.true_s < cooldown_s[event.decision.rule] + outage_s + 1e-6


@settings(max_examples=250, deadline=None)
@given(policies(), st.lists(STEPS, max_size=40), st.sampled_from(BEGINNINGS))
def test_a_cap_is_never_exceeded_on_a_true_local_date(policy, steps, start):
    caps = {rule.name: rule.at_most_per_day for rule in policy.rule}
    counts = Counter((event.day, event.decision.rule) for event in told(live(policy, steps, start)))
    for (_day, rule), count in counts.items():
        assert count <= caps[rule]


@settings(max_examples=250, deadline=None)
@given(policies(), st.lists(st.one_of(STEPS, JUMPY), max_size=40), st.sampled_from(BEGINNINGS))
def test_a_cap_of_an_hour_is_never_exceeded_in_any_hour(policy, steps, start):
    caps = {rule.name: rule.at_most_per_hour for rule in policy.rule}
    alerts = told(live(policy, steps, start))
    for i, event in enumerate(alerts):
        cap = caps[event.decision.rule]
        if cap is not None:
            hour = [e for e in alerts[: i + 1] if event.true_s - e.true_s < 3600 - 1e-6]
            assert sum(e.decision.rule == event.decision.rule for e in hour) <= cap


@settings(max_examples=250, deadline=None)
@given(policies(), st.lists(STEPS, max_size=40), st.sampled_from(BEGINNINGS))
def test_only_the_first_of_a_true_local_date_is_told(policy, steps, start):
    once = {rule.name for rule in policy.rule if rule.only_first_of_day}
    alerts = told(live(policy, steps, start))
    firsts = Counter((e.day, e.decision.rule, e.visit.visitor.key) for e in alerts if e.decision.rule in once)
    assert all(count == 1 for count in firsts.values())


@settings(max_examples=250, deadline=None)
@given(policies(), st.lists(st.one_of(STEPS, JUMPY), max_size=15), st.sampled_from(BEGINNINGS))
def test_every_visit_gets_a_decision_with_its_reason(policy, steps, start):
    for event in live(policy, steps, start):
        decision = event.decision
        assert decision.visit == event.visit.id
        said = "held" if decision.outcome is Outcome.HOLD else decision.outcome.words
        assert decision.reason.startswith(f"{said}: Alder Row, a")
        assert decision.reason.isprintable()
        assert not decision.reason.endswith((": ", ":"))
        assert bool(decision.sinks) is (decision.outcome is not Outcome.SILENT)
        if decision.outcome is Outcome.TELL:
            assert decision.clauses[-1].passed
        else:
            assert not all(clause.passed for clause in decision.clauses)
            assert decision.clauses[-1].text in decision.reason or decision.rule is None


@settings(max_examples=100, deadline=None)
@given(policies(), st.lists(STEPS, max_size=10))
def test_what_is_not_told_changes_nothing_but_the_count_of_the_held(policy, steps):
    state, now = PolicyState(), Moment(BEGINNINGS[0], 1000.0)
    for step in steps:
        now = Moment(now.wall + timedelta(seconds=step.after_s), now.mono_s + step.after_s)
        seen = visit(*step.who, sure=step.sure, stay_s=step.stay_s)
        after, decision = decide(policy, state, seen, now, step.clock_set, sinks=SINKS)
        held = replace(state, held=after.held, held_until=after.held_until)
        expected = {Outcome.SILENT: state, Outcome.HOLD: held}.get(decision.outcome, after)
        assert after == expected
        state = after
