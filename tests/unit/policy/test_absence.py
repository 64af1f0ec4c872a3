"""When nobody came: told once, over once, by the clock of the place or by hours of watching."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from dooryard.core.errors import StoreError
from dooryard.policy.absence import Absences
from dooryard.policy.absence_saved import from_json, to_json
from dooryard.policy.absence_text import absence_alert, nobody, span
from fakes.absences import LONDON, Play
from fakes.rules import ALDER_ROW, SINKS, policy, visit

MORNING = datetime(2026, 6, 15, 6, 0, tzinfo=LONDON)  # a Monday
H = 3600.0


def rules(**absence):
    return policy({}, absence=[{"name": "awaited", **absence}])


def by_ten(**absence):
    return rules(by="10:00", **absence)


def test_by_a_time_it_is_told_at_that_time_once():
    play = Play(by_ten(), MORNING)
    assert play.watch(4 * H - 60) == []
    (told,) = play.watch(120)
    assert (told.over, told.by) == (False, datetime(2026, 6, 15, 9, 0, tzinfo=UTC))
    assert play.watch(20 * H) == []
    assert play.watch(24 * H) == []  # not over yet, so the next morning tells nothing


def test_who_comes_before_keeps_it_silent_that_day_only():
    play = Play(by_ten(visitor="bird"), MORNING)
    play.watch(H)
    play.comes(visit("squirrel"))
    play.comes(visit("bird", sure=0.4))
    play.comes(visit("bird"))
    assert play.watch(20 * H) == []
    assert [told.over for told in play.watch(10 * H)] == [False]


@pytest.mark.parametrize(("name", "ends"), [("squirrel", False), ("bird", True), ("house finch", True)])
def test_it_is_over_when_one_of_them_comes(name, ends):
    play = Play(by_ten(visitor=["bird"]), MORNING)
    play.watch(5 * H)
    who = visit("bird", name) if name == "house finch" else visit(name)
    assert [told.over for told in play.comes(who)] == [True] * ends
    assert play.comes(who) == []


def test_the_end_may_be_left_untold():
    play = Play(by_ten(when_over=False), MORNING)
    play.watch(5 * H)
    assert play.comes(visit("cat")) == []
    assert [told.over for told in play.watch(24 * H)] == [False]


def test_certainty_is_that_of_the_group_where_the_group_is_awaited():
    finch = visit("bird", "house finch", sure=0.6, group_sure=0.95)
    for name, comes in (("bird", True), ("house finch", False)):
        play = Play(by_ten(visitor=name, sure=0.9), MORNING)
        play.watch(5 * H)
        assert bool(play.comes(finch)) is comes


@pytest.mark.parametrize(("watched_s", "told"), [(58 * 60, 0), (61 * 60, 1)])
def test_a_box_that_watched_for_less_than_an_hour_knows_nothing(watched_s, told):
    play = Play(by_ten(), MORNING)
    play.watch(4 * H - watched_s, frames=False)
    play.watch(watched_s)
    assert len(play.watch(H)) == told


def test_what_was_watched_the_day_before_does_not_count():
    play = Play(by_ten(), MORNING - timedelta(hours=8))
    play.watch(2 * H)
    assert play.watch(12 * H, frames=False) == []


def test_it_is_looked_at_late_on_the_same_date_but_not_on_the_next():
    play = Play(by_ten(), MORNING)
    play.watch(2 * H)
    play.pass_time(9 * H)  # the power is away from 8 to 17
    assert [told.by.hour for told in play.watch(60)] == [9]
    play = Play(by_ten(), MORNING)
    play.watch(2 * H)
    play.pass_time(20 * H)
    assert play.watch(60) == []


def test_days_and_dates():
    play = Play(by_ten(days=["Tue"]), MORNING)
    assert play.watch(18 * H) == []
    assert len(play.watch(24 * H)) == 1
    play = Play(by_ten(dates={"from": "16 Jun", "to": "17 Jun"}), MORNING)
    assert play.watch(18 * H) == []
    assert len(play.watch(24 * H)) == 1


def test_midnight_at_the_end_of_a_date_looks_at_that_date():
    play = Play(rules(by="24:00"), MORNING)
    assert play.watch(18 * H - 60) == []
    (told,) = play.watch(120)
    assert told.by == datetime(2026, 6, 15, 23, 0, tzinfo=UTC)


@pytest.mark.parametrize("step_h", [1, -1])
def test_a_wall_clock_that_is_set_to_and_fro_looks_at_a_date_once(step_h):
    play = Play(by_ten(), MORNING)
    play.watch(4 * H + 60)
    play.comes(visit("cat"))
    play.pass_time(1, wall_s=step_h * H)
    play.watch(H)
    play.pass_time(1, wall_s=-step_h * H)
    play.watch(3 * H)
    assert [each.over for _, each in play.told] == [False, True]


def test_while_the_clock_is_not_set_a_time_of_day_waits_and_hours_of_watching_go_on():
    play = Play(by_ten(), MORNING, clock_set=False)
    assert play.watch(30 * H) == []
    play = Play(rules(after_h=3), MORNING, clock_set=False)
    assert len(play.watch(3.1 * H)) == 1
    assert [told.over for told in play.comes(visit("cat"))] == [True]


def test_hours_of_watching_leave_out_what_was_not_watched():
    play = Play(rules(after_h=3), MORNING)
    assert play.watch(2 * H) == []
    assert play.watch(30 * H, frames=False) == []
    assert play.watch(0.9 * H) == []
    (told,) = play.watch(0.3 * H)
    assert told.by is None
    assert play.watch(20 * H) == []
    assert [each.over for each in play.comes(visit("cat"))] == [True]
    assert play.watch(2.9 * H) == []
    assert len(play.watch(0.2 * H)) == 1


def test_hours_are_counted_on_every_date_and_told_on_its_own():
    play = Play(rules(after_h=3, dates={"from": "16 Jun", "to": "16 Jun"}), MORNING)
    assert play.watch(18 * H) == []
    assert len(play.watch(120)) == 1


def test_another_wish_under_the_same_name_begins_again():
    play = Play(rules(after_h=3), MORNING)
    play.watch(2 * H)
    play.policy = rules(after_h=3, visitor="bird")
    assert play.watch(2.9 * H) == []
    assert len(play.watch(0.2 * H)) == 1


def test_a_restart_remembers_what_was_told_and_watched():
    play = Play(rules(after_h=3), MORNING)
    play.watch(2 * H)
    again = Play(play.policy, play.now.wall, from_json(to_json(play.state)), mono_s=7.0)
    assert again.watch(0.9 * H) == []
    (first,) = again.watch(0.2 * H)
    third = Play(play.policy, again.now.wall, from_json(to_json(again.state)))
    assert third.watch(9 * H) == []
    (over,) = third.comes(visit("cat"))
    assert over.id == f"{first.id}-over"


def test_told_twice_by_a_power_cut_it_has_the_same_id():
    play = Play(rules(after_h=1), MORNING)
    play.watch(0.5 * H)
    saved = to_json(play.state)
    ids = [Play(play.policy, play.now.wall, from_json(saved)).watch(2 * H)[0].id for _ in range(2)]
    assert ids[0] == ids[1]


@pytest.mark.parametrize(
    "text",
    ["", "[]", "{}", '{"version": 2, "waits": {}}', '{"version": 1, "waits": 5}',
     '{"version": 1, "waits": {"a": {}}}', "[" * 5000],
)  # fmt: skip
def test_what_is_no_such_state_is_refused(text):
    with pytest.raises(StoreError, match="absences"):
        from_json(text)


def test_a_wrong_value_in_the_state_is_refused():
    play = Play(by_ten(), MORNING)
    play.watch(H)
    good = to_json(play.state)
    assert from_json(good).waits == play.state.waits
    changes = {
        '"told": false': '"told": 3',
        '"number": 0': '"number": -1',
        '"came": false': '"came": 0',
        '"on": "2026': '"on": "x026',
        '"watched_s": ': '"watched_s": -1',
        '"watched_s": 0.0': f'"watched_s": {"9" * 400}',
    }
    for old, new in changes.items():
        assert old in good
        with pytest.raises(StoreError):
            from_json(good.replace(old, new))


def told_texts(play, **more):
    return [absence_alert(play.policy, told, now, True, SINKS, **more) for now, told in play.told]


def test_what_is_said():
    play = Play(by_ten(visitor="bird", send_to="phone", urgent=True), MORNING)
    play.watch(5 * H)
    play.pass_time(48 * H)
    play.comes(visit("bird", "blackbird"))
    told, over = told_texts(play)
    assert (told.kind, told.sinks, told.urgent) == ("absence", ("phone",), True)
    assert told.title == "No bird at Alder Row by 10:00"
    assert told.text == "No bird has come to Alder Row by 10:00 today."
    assert over.title == "A blackbird has come to Alder Row"
    assert over.text == "After 2 days: a blackbird has come."
    assert over.visitor.species == "blackbird"


def test_what_is_said_of_hours_and_of_the_last_one():
    play = Play(rules(after_h=3), MORNING)
    play.watch(60)
    play.comes(visit("cat"))
    play.watch(4 * H)
    (told,) = told_texts(play)
    assert told.title == "Nobody at Alder Row in 3 h of watching"
    assert told.text == (
        "Nobody has come to Alder Row in 3 h of watching. The last came on 15 June at 06:01."
    )


def test_nobody_is_told_where_no_sink_is_named():
    play = Play(by_ten(send_to="garage"), MORNING)
    play.watch(5 * H)
    assert told_texts(play) == [None]


def test_words():
    assert nobody(("bird", "squirrel")) == "No bird or squirrel"
    assert nobody(("european robin",)) == "No European robin"
    assert nobody(("anything", "cat")) == "Nobody"
    assert [span(s) for s in (30, 3000, 3 * H, 35 * H, 47 * H)] == [
        "1 min",
        "50 min",
        "3 h",
        "35 h",
        "2 days",
    ]


def test_the_state_of_no_absence_is_empty():
    play = Play(policy({}), MORNING)
    assert play.watch(H) == []
    assert play.state.waits == {}
    assert Absences().waits == {}
    assert ALDER_ROW["name"] == play.policy.place.name
