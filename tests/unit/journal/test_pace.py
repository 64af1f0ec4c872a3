"""When a build is due: a state machine of five fields, tried on a day's events."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from dooryard.journal import pace
from dooryard.journal.pace import PaceRules, PendingChanges

RULES = PaceRules(settle_s=300, every_s=1800)


def test_some_minutes_after_a_visit_and_not_at_once():
    one = pace.changed(pace.begun(0), 5000)
    assert not pace.due(one, RULES, 5299)
    assert pace.due(one, RULES, 5300)
    assert not pace.due(pace.begun(5300), RULES, 10**9)  # nothing new


def test_a_second_visit_puts_it_off_but_not_for_ever():
    busy = pace.begun(0)
    for at_s in range(2000, 3900, 100):
        busy = pace.changed(busy, at_s)
        assert pace.due(busy, RULES, at_s) is (at_s >= 2000 + RULES.every_s)


def test_never_more_often_than_asked_for():
    early = pace.changed(pace.begun(0), 10)
    assert not pace.due(early, RULES, 1799)
    assert pace.due(early, RULES, 1800)


def test_the_days_end_needs_no_visit():
    assert not pace.due(pace.begun(0), RULES, 9000)
    assert pace.due(pace.day_over(pace.begun(0)), RULES, 9000)
    assert not pace.due(pace.day_over(pace.begun(0)), RULES, 60)


def test_daily_and_never():
    both = pace.changed(PendingChanges(), 0)
    assert not pace.due(both, PaceRules("daily"), 10**6)
    assert pace.due(pace.day_over(both), PaceRules("daily"), 10**6)
    assert not pace.due(pace.day_over(both), PaceRules("never"), 10**6)


def test_what_came_to_nothing_is_tried_again_after_the_usual_time():
    again = pace.failed(pace.begun(100))
    assert not pace.due(again, RULES, 1899)
    assert pace.due(again, RULES, 1900)


@given(st.lists(st.tuples(st.floats(0, 4000), st.booleans()), max_size=60))
def test_builds_are_paced_and_every_change_is_taken_up(events):
    """However visits and days fall, builds keep their distance, and no change waits for more than two."""
    state, now_s, builds, waiting = PendingChanges(), 0.0, [], None
    for step_s, over in events:
        state = pace.day_over(state) if over else pace.changed(state, now_s)
        waiting = now_s if waiting is None else waiting
        end_s = now_s + step_s
        while now_s < end_s:
            now_s += 50.0
            if pace.due(state, RULES, now_s):
                builds.append(now_s)
                state, waiting = pace.begun(now_s), None
            assert waiting is None or now_s - waiting <= 2 * RULES.every_s
    assert all(later - earlier >= RULES.every_s for earlier, later in pairwise(builds))
