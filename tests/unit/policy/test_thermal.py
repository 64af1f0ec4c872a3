"""Heat steps, one reading after the other."""

from __future__ import annotations

import pytest

from dooryard.health.thermal import HeatState, Throttle, advance, steps_of, throttle_of
from dooryard.policy.schema import Policy

HEAT = [
    {"sensor": "cpu", "above_c": 72, "until_below_c": 66, "at_least_min": 2, "frames_per_s": 2},
    {"sensor": "cpu", "above_c": 78, "until_below_c": 70, "at_least_min": 2, "frames_per_s": 1,
     "look_every_s": 5},
    {"sensor": "enclosure", "above_c": 62, "until_below_c": 52, "at_least_min": 5, "camera": "off"},
    {"sensor": "enclosure", "above_c": 80, "until_below_c": 60, "at_least_min": 5, "halt": True},
]  # fmt: skip
STEPS = steps_of(Policy.model_validate({"heat": HEAT}))


class Box:
    """Reads its sensors every ten seconds."""

    def __init__(self, steps=STEPS, start_s=1000.0):
        self.steps, self.now_s, self.state, self.told = steps, start_s, HeatState(), []

    def read(self, times=1, **values):
        for _ in range(times):
            samples = {name: (self.now_s, value) for name, value in values.items()}
            self.state, news = advance(self.state, self.steps, samples, self.now_s)
            self.told += [each.text for each in news]
            self.now_s += 10
        return throttle_of(self.steps, self.state)


def test_cool_is_nothing():
    box = Box()
    assert box.read(100, cpu=50.0, enclosure=30.0) == Throttle()
    assert box.told == []


def test_a_step_is_entered_at_the_second_hot_reading_of_three():
    box = Box()
    box.read(5, cpu=60.0, enclosure=30.0)
    assert box.read(cpu=73.0, enclosure=30.0) == Throttle()
    assert box.read(cpu=73.0, enclosure=30.0).frames_per_s == 2
    assert box.told == ["cpu is at 73 °C: 2 frames a second at most"]


def test_a_spike_is_not_believed():
    box = Box()
    box.read(3, cpu=60.0, enclosure=30.0)
    for _ in range(20):
        box.read(cpu=125.0, enclosure=30.0)
        box.read(2, cpu=60.0, enclosure=30.0)
    assert box.told == []


def test_the_first_two_readings_are_not_believed_either():
    assert Box().read(2, cpu=125.0, enclosure=125.0) == Throttle()


def test_hysteresis_and_the_shortest_time():
    box = Box()
    box.read(3, cpu=73.0, enclosure=30.0)
    assert box.read(100, cpu=67.0, enclosure=30.0).frames_per_s == 2  # above the lower bound
    assert box.read(2, cpu=60.0, enclosure=30.0) == Throttle()
    box.read(2, cpu=73.0, enclosure=30.0)
    assert box.read(10, cpu=60.0, enclosure=30.0).frames_per_s == 2  # not yet two minutes
    assert box.read(4, cpu=60.0, enclosure=30.0) == Throttle()
    assert box.told[-1] == "cpu is down to 60 °C: frames at the usual rate"


def test_the_strictest_wins_for_each_effect():
    box = Box()
    found = box.read(3, cpu=85.0, enclosure=65.0)
    assert found == Throttle(
        frames_per_s=1, look_every_s=5, camera_off=True, halt=False,
        because=("cpu above 72", "cpu above 78", "enclosure above 62"),
    )  # fmt: skip
    assert box.read(3, cpu=85.0, enclosure=90.0).halt


def test_a_reading_that_is_shown_again_counts_once():
    state, news = HeatState(), ()
    for k in range(10):
        state, news = advance(
            state, STEPS, {"cpu": (1000.0, 90.0), "enclosure": (1000.0 + k, 30.0)}, 1000.0 + k
        )
    assert news == ()
    assert throttle_of(STEPS, state) == Throttle()


def test_a_sensor_that_falls_silent_keeps_its_steps_for_an_hour():
    box = Box()
    box.read(3, cpu=73.0, enclosure=30.0)
    assert box.read(30, cpu=None, enclosure=30.0).frames_per_s == 2
    assert box.told[-1] == "the sensor cpu is silent; until it answers: 2 frames a second at most"
    assert box.read(320, enclosure=30.0).frames_per_s == 2
    assert box.read(30, enclosure=30.0) == Throttle()
    unknown = "cpu has been silent for 1 h, so its state is unknown: "
    assert box.told[-1] == unknown + "frames at the usual rate; check the sensor"
    box.read(3, cpu=50.0, enclosure=30.0)
    assert box.told[-1] == "the sensor cpu is heard again"
    assert len(box.told) == 4


@pytest.mark.parametrize("every_s", [5, 60, 185, 600, 3600])
def test_a_step_is_entered_and_halts_however_slow_its_sensor_is(every_s):
    state, told, asked_s = HeatState(), [], -1.0
    for now_s in range(0, 6 * 3600, 5):
        if now_s % every_s == 0:
            asked_s = float(now_s)
        samples = {"enclosure": (asked_s, 95.0)}
        state, news = advance(state, STEPS[2:], samples, float(now_s), {"enclosure": every_s})
        told += [each.text for each in news]
    assert throttle_of(STEPS, state).halt
    assert told == ["enclosure is at 95 °C: camera off", "enclosure is at 95 °C: halt"]


def test_silence_is_three_readings_missed_at_the_sensors_own_pace():
    state, told = HeatState(), []
    for k in range(12):  # hours; heard three times, then no more
        samples = {"cpu": (3600.0 * k, 73.0 if k < 3 else None)}
        state, news = advance(state, STEPS[:1], samples, 3600.0 * k + 1, {"cpu": 3600.0})
        told += [(k, each.text) for each in news]
    assert [k for k, _text in told] == [2, 6, 9]  # entered; silent; let go
    assert "cpu has been silent for 7 h, so its state is unknown:" in told[2][1]


def test_a_sensor_that_was_never_heard_is_told_once():
    box = Box()
    assert box.read(1000, enclosure=30.0) == Throttle()
    assert box.told == ["the sensor cpu is silent; its steps are not entered"]


def test_what_was_said_before_a_silence_is_not_believed_after_it():
    box = Box()
    box.read(3, cpu=60.0, enclosure=30.0)
    box.read(30, cpu=None, enclosure=30.0)
    assert box.read(2, cpu=90.0, enclosure=30.0) == Throttle()
    assert box.read(1, cpu=90.0, enclosure=30.0).frames_per_s == 1


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf")])
def test_what_is_no_number_is_silence(value):
    box = Box()
    box.read(3, cpu=73.0, enclosure=30.0)
    assert box.read(5, cpu=value, enclosure=30.0).frames_per_s == 2


def test_a_step_that_the_policy_no_longer_has():
    box = Box()
    box.read(3, cpu=73.0, enclosure=30.0)
    box.steps = STEPS[2:]
    assert box.read(1, cpu=73.0, enclosure=30.0) == Throttle()
    assert set(box.state.since_s) == set()


def test_low_power():
    steps = steps_of(Policy.model_validate({"low_power": {"at_least_min": 1, "look_every_s": 4}}))
    box = Box(steps)
    assert box.read(3, **{"low-power": 1.0}).look_every_s == 4
    assert box.told == ["the supply's voltage is low: a look every 4 s at most"]
    assert box.read(10, **{"low-power": 0.0}) == Throttle()
    assert box.told[1:] == ["the supply's voltage is normal again: looks at the usual rate"]


def test_a_board_that_does_not_tell_its_voltage_is_no_news():
    box = Box(steps_of(Policy()))
    box.read(100)
    assert box.told == []
    box.read(3, **{"low-power": 1.0})
    assert box.told == ["the supply's voltage is low"]
    box.read(70, **{"low-power": 0.0})
    assert box.told[1:] == ["the supply's voltage is normal again"]


def test_minutes_become_seconds_and_low_power_is_a_step_like_the_others() -> None:
    *_, power = steps = steps_of(Policy.model_validate({"heat": HEAT, "low_power": {"at_least_min": 3}}))
    assert [step.least_s for step in steps] == [120, 120, 300, 300, 180]
    assert (power.kind, power.sensor, power.above, power.until_below) == ("power", "low-power", 0.5, 0.5)


def test_a_bound_itself_is_not_above_it() -> None:
    box = Box()
    assert box.read(9, cpu=72.0, enclosure=30.0) == Throttle()
    assert box.read(9, cpu=72.1, enclosure=30.0).frames_per_s == 2


def test_a_step_lasts_for_its_least_time_to_the_second() -> None:
    box = Box()
    box.read(5, cpu=75.0, enclosure=30.0)  # entered at the third reading, 20 s after the first
    entered_s = box.state.since_s["cpu above 72"]
    box.read(3, cpu=60.0, enclosure=30.0)
    for _ in range(20):
        held = box.read(cpu=60.0, enclosure=30.0).frames_per_s == 2
        read_s = box.now_s - 10
        assert held == (read_s - entered_s < 120), read_s - entered_s


def test_a_step_brings_what_it_says_and_nothing_else() -> None:
    box = Box()
    assert box.read(3, cpu=75.0, enclosure=30.0) == Throttle(frames_per_s=2, because=("cpu above 72",))
    assert box.read(3, cpu=75.0, enclosure=63.0) == Throttle(
        frames_per_s=2, camera_off=True, because=("cpu above 72", "enclosure above 62")
    )


def test_a_halt_is_asked_for_only_while_its_sensor_says_so() -> None:
    box = Box()
    assert box.read(3, cpu=50.0, enclosure=81.0).halt
    assert not box.read(3, cpu=50.0, enclosure=80.0).halt  # its bound itself is not above it
    assert box.read(3, cpu=50.0, enclosure=80.1).halt
    # Restored after a halt, with a sensor that has said nothing yet.
    restored = HeatState(since_s={"enclosure above 80": 0.0})
    assert not throttle_of(STEPS, restored).halt
    assert throttle_of(STEPS, restored).because == ("enclosure above 80",)


def test_a_step_is_left_below_its_bound_and_not_at_it() -> None:
    box = Box()
    box.read(5, cpu=75.0, enclosure=30.0)
    assert box.read(30, cpu=66.0, enclosure=30.0).frames_per_s == 2
    assert box.read(3, cpu=65.9, enclosure=30.0) == Throttle()
