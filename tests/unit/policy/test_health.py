"""How the box is, in one step, and what is told of it."""

from __future__ import annotations

import pytest

from dooryard.core.errors import StoreError
from dooryard.core.records import Moment
from dooryard.health.state import HealthState, advance, box_alert, throttle_now
from dooryard.policy.box_tables import MESSAGES
from dooryard.policy.schema import Messages, Policy
from fakes.rules import ALDER_ROW, SINKS, START, later

RULES = Policy.model_validate(
    {
        "place": ALDER_ROW,
        "heat": [{"sensor": "cpu", "above_c": 72, "until_below_c": 66, "frames_per_s": 2}],
        "moisture": {"humidity": "humidity", "surfaces": ["window"]},
        "disk": {"tell_below_mb": 500},
        "messages": {"disk": ["post"], "start": [], "heat": "all"},
    }
)


def after(state, at_s, *, free_mb=None, **values):
    """The state after three rounds of readings, and what was told."""
    told = []
    for k in range(3):
        samples = {name: (at_s + k, value) for name, value in values.items()}
        state, news = advance(state, RULES, samples, at_s + k, free_mb=free_mb)
        told += [(each.kind, each.text) for each in news]
    return state, told


def test_all_in_one_step():
    state, told = after(HealthState(), 0.0, free_mb=400, cpu=75.0, enclosure=12.0, humidity=85.0, window=9.0)
    assert [kind for kind, _ in told] == ["disk", "heat", "moisture"]
    assert told[2][1].startswith("the coldest part (window) is 0.0 K above the dew point")
    assert throttle_now(RULES, state).frames_per_s == 2
    state, told = after(state, 100.0, free_mb=590, cpu=75.0, enclosure=20.0, humidity=60.0, window=20.0)
    assert told == [("moisture", "dry again: window is 8.0 K above the dew point")]
    state, told = after(state, 200.0, free_mb=601, cpu=75.0, enclosure=20.0, humidity=60.0, window=20.0)
    assert told == [("disk", "601 MB are free on the card again")]


def test_without_a_surface_the_air_stands_for_it():
    rules = RULES.model_copy(
        update={"moisture": RULES.moisture.model_copy(update={"surfaces": (), "air": "air"})}
    )
    state = HealthState()
    for k in range(3):
        samples = {"air": (float(k), 20.0), "humidity": (float(k), 95.0)}
        state, news = advance(state, rules, samples, float(k))
    assert [each.kind for each in news] == ["moisture"]
    assert "(air) is 0.8 K" in news[0].text


def test_nothing_is_watched_without_a_humidity_sensor():
    state, told = HealthState(), ()
    for k in range(5):
        state, told = advance(state, Policy(), {"enclosure": (float(k), 5.0)}, float(k))
    assert told == ()


def test_it_is_as_it_was_after_a_restart():
    state, _ = after(HealthState(), 0.0, free_mb=400, cpu=75.0, enclosure=12.0, humidity=85.0, window=9.0)
    text = state.to_json(Moment(START.wall, 103.0))
    restored = HealthState.from_json(text, Moment(START.wall, 20.0))
    assert throttle_now(RULES, restored) == throttle_now(RULES, state)
    assert restored.heat.since_s["cpu above 72"] == pytest.approx(20.0 - 101.0)
    _, told = after(restored, 21.0, free_mb=400, cpu=75.0, enclosure=12.0, humidity=85.0, window=9.0)
    assert told == []


@pytest.mark.parametrize(
    "text",
    ["", "[]", "null", '{"version": 2, "held_s": {}}', '{"version": 1, "held_s": []}', "[" * 100_000,
     '{"version": 1, "held_s": {"a": "b"}}',
     '{"version": 1, "held_s": {"a": NaN}, "moist": 1, "disk_low": 1}'],
)  # fmt: skip
def test_what_is_no_saved_state(text):
    with pytest.raises(StoreError, match="cannot be read"):
        HealthState.from_json(text, START)


def test_a_message():
    alert = box_alert(RULES, "heat", "cpu is at 75 °C", later(5), True, sinks=SINKS, alert_id="a1")
    assert (alert.id, alert.kind, alert.sinks, alert.urgent) == ("a1", "box", ("phone", "post"), True)
    assert alert.title == "The box at Alder Row: heat"
    assert alert.text == "Cpu is at 75 °C."
    assert box_alert(RULES, "disk", "x", START, True, sinks=SINKS, alert_id="a2").sinks == ("post",)
    assert box_alert(RULES, "halt", "x", START, False, sinks=SINKS, alert_id="a3").urgent
    assert not box_alert(RULES, "disk", "x", START, True, sinks=SINKS, alert_id="a4").urgent


@pytest.mark.parametrize(("urgent", "kinds"), [([], set()), ("disk", {"disk"}), ("all", set(MESSAGES))])
def test_which_messages_are_urgent_is_the_policys(urgent, kinds):
    every = {kind: ["phone"] for kind in MESSAGES}
    rules = Policy.model_validate({"messages": every | {"urgent": urgent}})
    made = [box_alert(rules, kind, "x", START, True, sinks=SINKS, alert_id=kind) for kind in MESSAGES]
    assert {alert.id for alert in made if alert.urgent} == kinds
    assert Policy.model_validate({}).messages.urgent == ("halt", "heat", "power", "camera")
    assert set(MESSAGES) == set(Messages.model_fields) - {"urgent"}


def test_messages_that_nobody_wants():
    assert box_alert(RULES, "start", "x", START, True, sinks=SINKS, alert_id="a") is None
    assert box_alert(RULES, "disk", "x", START, True, sinks=frozenset({"phone"}), alert_id="a") is None
    with pytest.raises(ValueError, match="no messages of the kind 'weather'"):
        box_alert(RULES, "weather", "x", START, True, sinks=SINKS, alert_id="a")
