"""Edges in, presses out."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from hypothesis import given
from hypothesis import strategies as st

from dooryard.button.press import Press, PressSettings, PressState, begin, edge, stuck_s, tick, wait_s

SETTINGS = PressSettings(settle_s=0.03, hold_s=3.0)


def play(
    edges: Sequence[tuple[float, bool]], until_s: float, *, down: bool = False
) -> tuple[PressState, list[tuple[float, Press]]]:
    """Feed edges (seconds, level after it), waking only when `wait_s` asks for it, as the thread does."""
    state, now_s = begin(0.0, down=down), 0.0
    done: list[tuple[float, Press]] = []
    pending = sorted(edges)
    while True:
        sleep_s = wait_s(state, now_s, SETTINGS)
        wakes = [pending[0][0]] if pending else []
        wakes += [now_s + sleep_s] if sleep_s is not None else []
        if not wakes or min(wakes) > until_s:
            return state, done
        now_s = max(now_s, min(wakes))
        while pending and pending[0][0] <= now_s:
            at_s, level = pending.pop(0)
            state = edge(state, at_s, down=level)
        state, press = tick(state, now_s, SETTINGS)
        done += [(round(now_s, 6), press)] if press else []


def test_a_short_press():
    _, done = play([(1.0, True), (1.2, False)], 10.0)
    assert done == [(1.23, Press.SHORT)]


def test_held_is_told_while_it_is_held_and_the_release_adds_nothing():
    _, done = play([(1.0, True), (6.0, False)], 10.0)
    assert done == [(4.0, Press.HELD)]


def test_just_too_short_to_be_held():
    _, done = play([(1.0, True), (3.99, False)], 10.0)
    assert done == [(4.02, Press.SHORT)]


def test_bouncing_contacts_make_one_press():
    bounce = [(1.000, True), (1.002, False), (1.004, True), (1.010, False), (1.012, True)]
    release = [(1.500, False), (1.503, True), (1.504, False)]
    _, done = play(bounce + release, 10.0)
    assert [press for _, press in done] == [Press.SHORT]


def test_a_spike_is_no_press():
    assert play([(1.0, True), (1.01, False), (5.0, True), (5.02, False)], 10.0)[1] == []


def test_a_spike_while_held_does_not_end_the_hold():
    _, done = play([(1.0, True), (2.0, False), (2.01, True), (6.0, False)], 10.0)
    assert done == [(4.0, Press.HELD)]


def test_down_at_the_start_is_no_press_until_it_was_up():
    state, done = play([], 60.0, down=True)
    assert done == []
    assert stuck_s(state, 60.0) == 60.0
    assert play([(10.0, False), (12.0, True), (12.1, False)], 60.0, down=True)[1] == [(12.13, Press.SHORT)]


def test_while_nothing_happens_nothing_wakes_it():
    assert wait_s(begin(0.0, down=False), 5.0, SETTINGS) is None


gaps = st.lists(st.floats(min_value=0.0005, max_value=8.0), max_size=40)


@given(gaps)
def test_any_edges_make_no_more_presses_than_releases_that_lasted(waits: list[float]):
    """Law: each press needs a stretch down of at least `settle_s`; held ones `hold_s`."""
    edges, now_s, level = [], 0.0, False
    for wait in waits:
        now_s, level = now_s + wait, not level
        edges.append((now_s, level))
    if level:
        edges.append((now_s + 1.0, False))
    state, done = play(edges, now_s + 60.0)
    downs = [b[0] - a[0] for a, b in itertools.pairwise(edges) if a[1]]
    assert len(done) <= sum(down >= SETTINGS.settle_s - 1e-9 for down in downs)
    assert not state.down
    last_s = 0.0
    for at_s, press in done:
        if press is Press.HELD:
            assert at_s - last_s >= SETTINGS.hold_s - 1e-6
        last_s = at_s


@given(st.floats(min_value=0.031, max_value=2.999))
def test_every_clean_press_in_between_is_short(length_s: float):
    assert [press for _, press in play([(1.0, True), (1.0 + length_s, False)], 20.0)[1]] == [Press.SHORT]


@given(st.floats(min_value=3.001, max_value=500.0))
def test_every_clean_long_press_is_held(length_s: float):
    assert [press for _, press in play([(1.0, True), (1.0 + length_s, False)], 600.0)[1]] == [Press.HELD]
