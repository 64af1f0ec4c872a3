"""The scripted sensor."""

from __future__ import annotations

import pytest

from dooryard.sensors.base import Unit
from dooryard.sensors.fake import FakeSensor
from helpers import moment


def test_it_says_what_its_script_says():
    fake = FakeSensor("enclosure", Unit.CELSIUS, "0:20 100:40 200:gone 300:wild 400:30")
    said = {t: fake.read(moment(t)) for t in (0, 50, 99, 100, 150, 200, 299, 300, 400, 9000)}
    assert [said[t].value for t in (0, 50, 100, 150, 200, 300, 400, 9000)] == [
        20.0, 30.0, 40.0, 40.0, None, None, 30.0, 30.0,
    ]  # fmt: skip
    assert said[299].gone == "the script says so"
    assert said[300].gone == "it says 1e+12 °C, which is outside -55 to 125"


def test_time_begins_with_the_first_read_and_before_the_first_entry_that_entry_holds():
    fake = FakeSensor("a", Unit.PERCENT, "60:50 120:70")
    assert [fake.read(moment(1000 + t)).value for t in (0, 60, 90)] == [50.0, 50.0, 60.0]


@pytest.mark.parametrize("script", ["", "20", "0:20 0:30", "9:1 3:1", "0:hot", "x:1"])
def test_a_script_without_sense_is_refused(script: str):
    with pytest.raises(ValueError):
        FakeSensor("a", Unit.CELSIUS, script)
