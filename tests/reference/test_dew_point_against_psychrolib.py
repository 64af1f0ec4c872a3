"""Dew points against psychrolib, which follows the ASHRAE Handbook, Fundamentals (2017), chapter 1.

psychrolib's saturation pressure is that of Hyland and Wexler, over water from 0.01 °C on and over ice
below, and so are its relative humidity and its dew point. Ours takes humidity over water below zero, as
sensors state it; so there the comparison says that the humidity was stated over ice.
"""

from __future__ import annotations

import psychrolib
import pytest

from dooryard.health.dew_point import dew_point_c, dew_point_of_hpa, saturation_hpa

TEMPS = range(-20, 51, 2)
HUMIDITIES = (10, 20, 35, 50, 65, 80, 90, 97, 100)


@pytest.fixture(autouse=True)
def si_units():
    psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.mark.parametrize("temp_c", TEMPS)
def test_dew_point(temp_c):
    for humidity in HUMIDITIES:
        theirs = psychrolib.GetTDewPointFromRelHum(temp_c, humidity / 100)
        ours = dew_point_c(temp_c, humidity, over_ice=temp_c < 0)
        assert ours == pytest.approx(theirs, abs=0.1), humidity


@pytest.mark.parametrize("temp_c", TEMPS)
def test_dew_point_of_a_vapour_pressure(temp_c):
    for humidity in HUMIDITIES:
        pascal = psychrolib.GetVapPresFromRelHum(temp_c, humidity / 100)
        theirs = psychrolib.GetTDewPointFromVapPres(temp_c, pascal)
        assert dew_point_of_hpa(pascal / 100) == pytest.approx(theirs, abs=0.1), humidity


@pytest.mark.parametrize("temp_c", TEMPS)
def test_saturation(temp_c):
    theirs_hpa = psychrolib.GetSatVapPres(temp_c) / 100
    assert saturation_hpa(temp_c, over_ice=temp_c < 0) == pytest.approx(theirs_hpa, rel=0.005)


def test_humidity_over_water_below_zero():
    # The Smithsonian Meteorological Tables have 1.2540 hPa over water and 1.0324 hPa over ice at -20 °C
    # (from memory). Magnus over water is 0.4 % above the former, which is 0.05 K of dew point.
    assert saturation_hpa(-20) / saturation_hpa(-20, over_ice=True) == pytest.approx(
        1.2540 / 1.0324, rel=0.005
    )
    # Saturated over ice is 82 % over water: frost settles before a sensor says 100 %.
    assert dew_point_c(-20, 82.3) == pytest.approx(-20, abs=0.1)


@pytest.mark.parametrize("humidity", [0, -1, 100.1, float("nan")])
def test_humidity_that_cannot_be(humidity):
    with pytest.raises(ValueError, match="has no dew point"):
        dew_point_c(20, humidity)
