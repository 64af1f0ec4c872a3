"""What a policy says that was surely not meant, and what its sensors cannot give. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from datetime import UTC, datetime, timedelta

from dooryard.config.toml_document import Document, quoted
from dooryard.config.toml_lines import Path
from dooryard.core.wording import duration
from dooryard.policy.dates import ever_meet, listed_dates
from dooryard.policy.hours import is_open
from dooryard.policy.schema import Place, Policy, Rule
from dooryard.policy.window import without_dates
from dooryard.sensors.filter import LONGEST_REACTION_S, reaction_s

CELSIUS, PERCENT, YES_NO = "°C", "%", ""
_GIVES = {CELSIUS: "temperatures", PERCENT: "relative humidity", YES_NO: "whether the voltage is low"}
_FARTHEST_H = (
    4.0  # the time that a zone keeps differs from the sun's by less: the most is 3.4 h, in western China
)
_STEP = timedelta(minutes=30)
_WINDOW_DAYS = 2  # how many days on a window may end
_YEAR_START = datetime(2026, 1, 1, tzinfo=UTC)  # which year it is hardly matters


def note_wrong_sensors(document: Document, policy: Policy, sensors: Collection[str] | None) -> None:
    """Note each use of a sensor for what it does not measure; `sensors` maps names to gauges where it can."""
    if not isinstance(sensors, Mapping):
        return
    for path, name, unit in _uses(policy):
        gauge = sensors.get(name)
        if gauge is not None and gauge.unit != unit:
            gives = gauge.unit
            fitting = sorted(other for other, its in sensors.items() if its.unit == unit)
            choices = f"one of {', '.join(fitting)}" if fitting else "the box has none: add a [[sensor]]"
            document.problem(
                path, f"{quoted(name)} does not tell {_GIVES[unit]}, but {gives or 'yes or no'}; {choices}"
            )


def warn_of_slow_sensors(document: Document, policy: Policy, sensors: Collection[str] | None) -> None:
    """Warn of each step whose sensor is read so seldom that the step would come late."""
    if not isinstance(sensors, Mapping):
        return
    for path, name, _unit in _uses(policy):
        gauge = sensors.get(name)
        late_s = 0.0 if gauge is None else reaction_s(gauge.every_s)
        if gauge is not None and path[0] != "moisture" and late_s > LONGEST_REACTION_S:
            document.warning(
                path,
                f"{quoted(name)} is read every {duration(gauge.every_s)}, so the step may come"
                f" {duration(late_s)} late; set every_s of that sensor to {LONGEST_REACTION_S / 2:g} or less",
            )


def _uses(policy: Policy) -> Iterator[tuple[Path, str, str]]:
    for i, step in enumerate(policy.heat):
        yield ("heat", i, "sensor"), step.sensor, CELSIUS
    if not policy.low_power.asks_nothing:
        yield ("low_power", "sensor"), policy.low_power.sensor, YES_NO
    moisture = policy.moisture
    if moisture.humidity is not None:
        yield ("moisture", "humidity"), moisture.humidity, PERCENT
        yield ("moisture", "air"), moisture.air, CELSIUS
        for i, surface in enumerate(moisture.surfaces):
            yield ("moisture", "surfaces", i), surface, CELSIUS


def warn(document: Document, policy: Policy) -> None:
    """Warn of what never does anything, or never anything else."""
    _warn_of_silence(document, policy)
    _warn_of_half_a_place(document, policy.place)
    _warn_of_the_clock(document, policy.place)
    for i, rule in enumerate(policy.rule):
        _warn_of_rule(document, i, rule)
        _warn_of_dates(document, i, rule)
        _warn_of_keys_in_vain(document, i, rule)
    _warn_of_quiet(document, policy)


def _warn_of_silence(document: Document, policy: Policy) -> None:
    if "rule" in policy.model_fields_set and policy.rule and not any(rule.send_to for rule in policy.rule):
        document.warning(
            ("rule",), "no rule sends to anybody, so no alert is ever sent; give one of them send_to"
        )
    summary = policy.summary
    if summary.at is not None and not summary.send_to and not policy.hours.quiet:  # else it is told already
        document.warning(
            ("summary", "send_to"), 'nobody gets the summary; write at = "never", or name a sink'
        )


def _warn_of_half_a_place(document: Document, place: Place) -> None:
    if (place.latitude is None) != (place.longitude is None):
        lacks = "longitude" if place.longitude is None else "latitude"
        document.warning(("place",), f"has no {lacks}, so the other counts for nothing; give both or neither")


def _warn_of_the_clock(document: Document, place: Place) -> None:
    """The sun's time at a longitude is 4 minutes a degree from UTC's; a zone keeps near to it."""
    if place.longitude is None:
        return
    sun_h = place.longitude / 15
    offsets = [place.zone.utcoffset(_YEAR_START.replace(month=month, tzinfo=None)) for month in (1, 7)]
    hours = [offset.total_seconds() / 3600 for offset in offsets if offset is not None]
    apart = _hours_apart(hours, sun_h)
    swapped = _hours_apart(hours, (place.latitude or 0.0) / 15) if place.latitude is not None else apart
    if apart > 2.0 and swapped < 0.5 and abs(place.longitude) <= 90:
        document.warning(
            ("place",),
            f"latitude {place.latitude:g} and longitude {place.longitude:g} look swapped: clocks of"
            f" {place.time_zone} go by the sun at longitude {place.latitude:g}",
        )
    elif apart > _FARTHEST_H:
        document.warning(
            ("place", "time_zone"),
            f"clocks of {place.time_zone} are {apart:.0f} h from the sun at longitude {place.longitude:g};"
            " one of the two is wrong (longitude: east is positive, west is negative)",
        )


def _hours_apart(hours: list[float], sun_h: float) -> float:
    return min((abs((hour - sun_h + 12) % 24 - 12) for hour in hours), default=0.0)


def _warn_of_rule(document: Document, i: int, rule: Rule) -> None:
    if rule.at_most_per_hour is not None and rule.at_most_per_hour > rule.at_most_per_day:
        document.warning(
            ("rule", i, "at_most_per_hour"),
            f"never counts: at_most_per_day is {rule.at_most_per_day}, which is less; change one of them",
        )
    if rule.sure >= 1:
        document.warning(
            ("rule", i, "sure"),
            "no visit is ever as certain as that, so the rule takes none; 0.5 to 0.9 is usual",
        )


def _warn_of_dates(document: Document, i: int, rule: Rule) -> None:
    """Warn where the dates of a rule and of its hours never meet. A window may end two days on."""
    if not rule.dates or not rule.hours:
        return
    if not any(not w.dates or ever_meet(rule.dates, w.dates, _WINDOW_DAYS) for w in rule.hours):
        theirs = ", ".join(listed_dates(window.dates) for window in rule.hours)
        document.warning(
            ("rule", i, "dates"),
            f"{quoted(rule.name)} can never fire: its dates are {listed_dates(rule.dates)}, those of its"
            f" hours {theirs}; take out one of the two, or choose dates that meet",
        )


def _warn_of_keys_in_vain(document: Document, i: int, rule: Rule) -> None:
    """Warn of a key beside another that leaves it nothing to do."""
    if rule.new == "ever" and rule.unseen_days is not None:
        document.warning(
            ("rule", i, "unseen_days"),
            'never counts: new = "ever" takes only who was never seen; take one of the two out',
        )
    if rule.still_here_min is not None and not rule.send_to:
        document.warning(
            ("rule", i, "still_here_min"),
            "never counts: the rule tells nobody; give it send_to, or take this out",
        )


def _warn_of_quiet(document: Document, policy: Policy) -> None:
    """Warn where it is never loud: always, or in all the hours of a rule that is not urgent."""
    always = tuple(window for window in policy.hours.quiet if not window.dates)  # the year round
    if not always:
        return
    moments = [
        _YEAR_START + day * timedelta(days=30.5) + k * _STEP for day in range(12) for k in range(48 * 7)
    ]
    loud = [at for at in moments if not is_open(always, policy.place, at)]
    if not loud:
        if not all(rule.urgent for rule in policy.rule):
            document.warning(
                ("hours", "quiet"),
                "it is always quiet, so visits are in the summary only; leave some hours out of quiet,"
                " or make rules urgent",
            )
        return
    for i, rule in enumerate(policy.rule):
        waits = rule.hours and rule.send_to and not rule.urgent
        hours = without_dates(rule.hours)
        if waits and not any(is_open(hours, policy.place, at) for at in loud):
            document.warning(
                ("rule", i, "hours"),
                f"{quoted(rule.name)} takes visits in quiet hours only, so all its alerts wait for their"
                " end; make it urgent, or choose other hours",
            )
