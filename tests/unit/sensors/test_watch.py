"""Gone and back, each told once."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.sensors.base import Reading, Unit
from dooryard.sensors.watch import MISSES, SensorNews, Watch, duration_text, gone_sensors, take
from helpers import moment


def reading(t: float, value: float | None, name: str = "enclosure") -> Reading:
    why = None if value is not None else "no answer on the bus (wiring or power)"
    return Reading(name, Unit.CELSIUS, moment(t), value, why)


def feed(values: list[float | None], every_s: float = 30.0) -> tuple[Watch, list[SensorNews]]:
    watch, told = Watch(), []
    for number, value in enumerate(values):
        watch, news = take(watch, reading(number * every_s, value))
        told += [news] if news else []
    return watch, told


def test_a_glitch_is_not_told():
    watch, told = feed([20.0, None, None, 21.0, None, 22.0])
    assert told == []
    assert gone_sensors(watch) == ()


def test_gone_is_told_once_and_back_once():
    watch, told = feed([20.0, None, None, None, None, None, 23.46, 23.5])
    assert [news.gone for news in told] == [True, False]
    assert told[0].text == "the sensor enclosure is gone: no answer on the bus (wiring or power)"
    assert told[1].text == "the sensor enclosure is back after 90 s: 23.5 °C"
    assert gone_sensors(watch) == ()


def test_what_was_never_there_is_told_at_once():
    watch, told = feed([None, None])
    assert len(told) == 1
    assert gone_sensors(watch) == ("enclosure",)


@given(st.lists(st.one_of(st.none(), st.floats(-50, 120)), max_size=60))
def test_news_alternate_and_end_in_the_state_that_holds(values: list[float | None]):
    watch, told = feed(values)
    assert [news.gone for news in told] == [index % 2 == 0 for index in range(len(told))]
    assert bool(gone_sensors(watch)) == (len(told) % 2 == 1)
    if len(values) >= MISSES and values[-MISSES:] == [None] * MISSES:
        assert gone_sensors(watch) == ("enclosure",)
    if values and values[-1] is not None:
        assert gone_sensors(watch) == ()


def test_sensors_do_not_mix():
    watch, _ = take(Watch(), reading(0, None, "a"))
    watch, _ = take(watch, reading(0, 1.0, "b"))
    assert gone_sensors(watch) == ("a",)


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0 s"), (119, "119 s"), (120, "2 min"), (7199, "120 min"), (7200, "2 h"), (172_800, "2 days")],
)
def test_durations_in_words(seconds: float, text: str):
    assert duration_text(seconds) == text


def test_a_reading_has_a_value_or_a_reason():
    with pytest.raises(ValueError, match="either a value or a reason"):
        Reading("a", Unit.CELSIUS, moment(0), None)
    with pytest.raises(ValueError, match="either a value or a reason"):
        Reading("a", Unit.CELSIUS, moment(0), 1.0, "gone")
