"""Absences on random days: told once and over once, in turn, and never without a reason.

What should be told is worked out again here from the list of what happened, by the letter of the reference.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.policy.absence_saved import from_json, to_json
from fakes.absences import LONDON, Play
from fakes.rules import policy, visit

START = datetime(2026, 3, 26, 0, 0, tzinfo=LONDON)  # the clocks go forward on the 29th
HALF_H = 1800.0
STEPS = st.lists(  # each is half an hour: the box watches or not, and who comes at its end
    st.tuples(st.booleans(), st.sampled_from([None, None, None, "bird", "cat"]), st.booleans()),
    min_size=20,
    max_size=240,
)


def played(rules, steps):
    """What happened, as (moment, what): "half" of watching, "bird", "cat", "told", "over"."""
    play, happened = Play(rules, START), []
    for watches, who, restart in steps:
        before = len(play.told)
        play.watch(HALF_H, frames=watches, step_s=60.0)
        happened += [(now, "told") for now, _ in play.told[before:]]
        if watches:
            happened.append((play.now, "half"))
        if who:
            happened.append((play.now, who))
            happened += [(play.now, "over") for _ in play.comes(visit(who))]
        if restart:
            state = from_json(to_json(play.state))
            play = Play(rules, play.now.wall, state, mono_s=play.now.mono_s + 3.0)
    return happened


def in_turn(happened):
    """Told and over alternate, and each end stands behind one who was awaited."""
    told = [what for _, what in happened if what in ("told", "over")]
    assert told == (["told", "over"] * len(told))[: len(told)]
    for at, (_, what) in enumerate(happened):
        if what == "over":
            assert happened[at - 1][1] == "bird"
        if what == "bird" and told_before(happened[:at]):
            assert happened[at + 1][1] == "over"


def told_before(happened):
    last = [what for _, what in happened if what in ("told", "over")][-1:]
    return last == ["told"]


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_by_a_time_of_day(steps):
    rules = policy({}, absence=[{"name": "no bird", "visitor": "bird", "by": "10:00"}])
    happened = played(rules, steps)
    in_turn(happened)
    days = [now.wall.astimezone(LONDON).date() for now, what in happened if what == "told"]
    assert len(days) == len(set(days))
    for at, (now, what) in enumerate(happened):
        local = now.wall.astimezone(LONDON)
        if what == "told":
            assert local.hour * 60 + local.minute >= 600
            since = [w for n, w in happened[:at] if n.wall.astimezone(LONDON).date() == local.date()]
            assert "bird" not in since
    ends = happened[-1][0].wall.astimezone(LONDON) if happened else START
    day = START
    while day + timedelta(hours=11) < ends:  # each date on which it must have been told was told
        ten = day.replace(hour=10)
        morning = [(n, w) for n, w in happened if day < n.wall.astimezone(LONDON) <= ten]
        halves = sum(w == "half" for _, w in morning)
        before = [w for n, w in happened if n.wall.astimezone(LONDON) < ten and w in ("told", "over")]
        awaited = before[-1:] != ["told"]
        quiet = all(w != "bird" for _, w in morning)
        if awaited and quiet and halves >= 3:
            assert day.date() in days
        day += timedelta(days=1)


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_after_hours_of_watching(steps):
    rules = policy({}, absence=[{"name": "no bird", "visitor": "bird", "after_h": 4}])
    happened = played(rules, steps)
    in_turn(happened)
    halves, told = 0, False
    for _, what in happened:
        if what == "half":
            halves += 1
            # Each half hour loses up to two minutes here: the way to its first frame, and the last look.
            assert told or halves < 10
        elif what == "bird":
            halves, told = 0, False
        elif what == "told":
            assert halves >= 7  # the half hour in which it is told is not noted yet
            told = True
