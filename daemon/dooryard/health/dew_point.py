"""Dew in the box: when a surface gets so cold that the air's moisture settles on it. Pure.

Saturation vapour pressure by the Magnus formula with the constants of WMO-No. 8, "Guide to Instruments
and Methods of Observation", part I, chapter 4, annex 4.B (from memory), at the pressure of plain air:

    over water  6.112 hPa * exp(17.62 t / (243.12 °C + t))   -45 to 60 °C
    over ice    6.112 hPa * exp(22.46 t / (272.62 °C + t))   -65 to 0 °C

What settles below 0 °C is frost, so the dew point is then told over ice. Humidity sensors state relative
humidity over water, also below 0 °C (meteorological practice; the same guide), so that is how a reading
is taken.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from dooryard.policy.schema import Moisture
from dooryard.sensors.filter import Sample, Traces, heard

TRIPLE_HPA = 6.112
_WATER = (17.62, 243.12)
_ICE = (22.46, 272.62)


def saturation_hpa(temp_c: float, *, over_ice: bool = False) -> float:
    """Saturation vapour pressure in hPa at `temp_c`."""
    a, b = _ICE if over_ice else _WATER
    return TRIPLE_HPA * math.exp(a * temp_c / (b + temp_c))


def dew_point_c(temp_c: float, humidity_percent: float, *, over_ice: bool = False) -> float:
    """Temperature at which the moisture of the air settles: the dew point, below 0 °C the frost point.

    `over_ice` says that the humidity was stated over ice. Raises ValueError for a humidity that is not
    above 0 and at most 100.
    """
    if not 0 < humidity_percent <= 100:
        raise ValueError(f"a relative humidity of {humidity_percent} % has no dew point")
    return dew_point_of_hpa(humidity_percent / 100 * saturation_hpa(temp_c, over_ice=over_ice))


def dew_point_of_hpa(vapour_hpa: float) -> float:
    """Temperature at which a vapour pressure is that of saturation; below 0 °C over ice."""
    a, b = _WATER if vapour_hpa >= TRIPLE_HPA else _ICE
    g = math.log(vapour_hpa / TRIPLE_HPA)
    return b * g / (a - g)


@dataclass(frozen=True, slots=True)
class MoistureState:
    """Whether it is moist, and what the sensors said."""

    moist: bool = False
    traces: Traces = field(default_factory=Traces)


def margin_c(rule: Moisture, traces: Traces) -> tuple[float, str] | None:
    """How far the coldest surface is above the dew point, and which it is; None: not known.

    Where no surface is measured, the air itself stands for it.
    """
    air = traces.value(rule.air)
    humidity = traces.value(rule.humidity) if rule.humidity else None
    if air is None or humidity is None or humidity <= 0:
        return None
    known = {name: value for name in rule.surfaces if (value := traces.value(name)) is not None}
    coldest = min(known, key=known.__getitem__, default=rule.air)
    dew_c = dew_point_c(air, min(humidity, 100.0))
    return known.get(coldest, air) - dew_c, coldest


def advance(
    state: MoistureState,
    rule: Moisture,
    samples: Mapping[str, Sample],
    now_s: float,
    paces_s: Mapping[str, float] = MappingProxyType({}),
) -> tuple[MoistureState, str | None]:
    """Take in what the sensors said lately. Returns the new state, and what is to be told, if anything.

    Told once when the coldest surface is less than `margin_c` above the dew point, and once when it is
    more than `clear_c` above it. Silence changes nothing.
    """
    if rule.humidity is None:
        return state, None
    wanted = frozenset({rule.air, rule.humidity, *rule.surfaces})
    traces, _gone, _back = heard(state.traces, wanted, samples, now_s, paces_s)
    state = replace(state, traces=traces)
    margin = margin_c(rule, traces)
    if margin is None:
        return state, None
    left_c, coldest = margin
    if not state.moist and left_c < rule.margin_c:
        text = (
            f"the coldest part ({coldest}) is {max(0.0, left_c):.1f} K above the dew point: "
            "water may settle in the box; check its seal and its desiccant"
        )
        return replace(state, moist=True), text
    if state.moist and left_c > rule.clear_c:
        return replace(state, moist=False), f"dry again: {coldest} is {left_c:.1f} K above the dew point"
    return state, None
