"""The laws of sparing: heat never flaps, spikes change nothing, silence never halts."""

from __future__ import annotations

import itertools

from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.health.thermal import HeatState, advance, steps_of, throttle_of
from dooryard.policy.schema import Policy

EFFECTS = st.sampled_from(
    [{"frames_per_s": 2.0}, {"frames_per_s": 0.5}, {"look_every_s": 5.0}, {"camera": "off"}, {"halt": True}]
)


@st.composite
def all_steps(draw):
    tables = []
    above = draw(st.lists(st.integers(40, 90), min_size=1, max_size=4, unique=True))
    for above_c in above:
        table = {
            "sensor": draw(st.sampled_from(["cpu", "enclosure"])),
            "above_c": float(above_c),
            "until_below_c": float(above_c - draw(st.integers(1, 30))),
            "at_least_min": draw(st.sampled_from([0.0, 0.5, 2.0, 10.0])),
        }
        tables.append(table | draw(EFFECTS))
    return steps_of(Policy.model_validate({"heat": tables}))


VALUES = st.one_of(st.none(), st.floats(0, 120), st.sampled_from([39.0, 41.0, 60.0, 61.0, 200.0]))
ROUNDS = st.lists(
    st.tuples(st.sampled_from([1.0, 5.0, 30.0, 200.0, 4000.0]), VALUES, VALUES), min_size=1, max_size=80
)


def lived(steps, rounds):
    """Each round: its time, the state after it, and what was told."""
    state, now_s = HeatState(), 500.0
    for wait_s, cpu, enclosure in rounds:
        now_s += wait_s
        samples = {"cpu": (now_s, cpu), "enclosure": (now_s, enclosure)}
        state, news = advance(state, steps, samples, now_s)
        yield now_s, state, news


@settings(max_examples=300, deadline=None)
@given(all_steps(), ROUNDS)
def test_a_step_is_not_entered_twice_within_its_shortest_time(steps, rounds):
    entered = {step.key: [] for step in steps}
    held = set()
    for now_s, state, _ in lived(steps, rounds):
        for key in state.since_s.keys() - held:
            entered[key].append(now_s)
        held = set(state.since_s)
    for step in steps:
        for first, second in itertools.pairwise(entered[step.key]):
            assert second - first >= step.least_s


@settings(max_examples=300, deadline=None)
@given(all_steps(), ROUNDS)
def test_entering_and_leaving_are_told_each_time_and_nothing_else_is(steps, rounds):
    held = set()
    for _, state, news in lived(steps, rounds):
        changes = len(held ^ set(state.since_s))
        assert sum(each.kind == "heat" for each in news) == changes
        held = set(state.since_s)


@settings(max_examples=300, deadline=None)
@given(all_steps(), st.floats(0, 39), st.lists(st.floats(-40, 200), max_size=30))
def test_single_spikes_change_nothing(steps, calm, spikes):
    rounds = [(10.0, calm, calm)] * 3
    for spike in spikes:
        rounds += [(10.0, spike, spike), (10.0, calm, calm), (10.0, calm, calm)]
    for _, state, news in lived(steps, rounds):
        assert not state.since_s
        assert news == ()


@settings(max_examples=300, deadline=None)
@given(all_steps(), st.lists(st.tuples(st.sampled_from([30.0, 4000.0]), st.none(), st.none()), max_size=20))
def test_silence_alone_enters_no_step(steps, rounds):
    for _, state, _ in lived(steps, rounds):
        assert not state.since_s


@settings(max_examples=200, deadline=None)
@given(all_steps(), ROUNDS)
def test_more_steps_are_never_less_strict(steps, rounds):
    *_, (_, state, _) = lived(steps, rounds)
    for step in steps:
        fewer = HeatState({key: s for key, s in state.since_s.items() if key != step.key}, state.traces)
        some, all_of_them = throttle_of(steps, fewer), throttle_of(steps, state)
        assert all_of_them.camera_off >= some.camera_off
        assert all_of_them.halt >= some.halt
        if some.frames_per_s is not None:
            assert all_of_them.frames_per_s <= some.frames_per_s
        if some.look_every_s is not None:
            assert all_of_them.look_every_s >= some.look_every_s


@settings(max_examples=200, deadline=None)
@given(all_steps(), ROUNDS)
def test_what_stays_cool_for_an_hour_is_free_again(steps, rounds):
    *_, (now_s, state, _) = lived(steps, rounds)
    for k in range(1, 66):
        at_s = now_s + 60.0 * k
        state, _ = advance(state, steps, {"cpu": (at_s, 5.0), "enclosure": (at_s, 5.0)}, at_s)
    assert not state.since_s
