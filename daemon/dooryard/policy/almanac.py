"""The coming days of a policy as a table: the sun, the watch and the quiet hours. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime, time, timedelta

from dooryard.core.errors import ConfigError
from dooryard.policy.absence import is_on
from dooryard.policy.dates import DateRange, listed_dates, within
from dooryard.policy.hours import Span, spans_of, sun_times, time_on
from dooryard.policy.mute import pauses_on
from dooryard.policy.schema import Place, Policy, Window
from dooryard.policy.sun import SunAllDay
from dooryard.policy.times import Sun, TimeOfDay

MOST_DAYS = 400
# For these years zones and the sun's formulas are meant (common practice, no source).
EARLIEST, LATEST = date(1900, 1, 1), date(2100, 12, 31)
_DAY = timedelta(days=1)
_SUN = (Sun.DAWN, Sun.SUNRISE, Sun.SUNSET, Sun.DUSK)
_STAND_IN = "~"  # after a time that comes of the sun's highest or lowest, where it doesn't cross the level
_NOT = {SunAllDay.UP: "up", SunAllDay.DOWN: "down"}


def hours_table(policy: Policy, first: date, days: int) -> str:
    """A line for each of `days` local dates from `first` on.

    A window stands on the date on which it opens. Times are local; one of a later date has a + for each
    day. Where the sun doesn't cross a level, "up" or "down" says on which side of it the sun stays.

    Raises ConfigError for more than `MOST_DAYS`, and for days before `EARLIEST` or after `LATEST`.
    """
    if days > MOST_DAYS:
        raise ConfigError(f"{days} days are too many for one table", f"ask for {MOST_DAYS} at most")
    if not EARLIEST <= first <= LATEST - (days - 1) * _DAY:
        raise ConfigError(
            f"{days} {'day' if days == 1 else 'days'} from {first} on cannot all be told",
            f"choose days from {EARLIEST} to {LATEST}",
        )
    own = (f"quiet: {name}" for name in _own(policy))
    rows = [["", *(str(sun) for sun in _SUN), "watch", "quiet", *own, *_silence_heads(policy)]]
    rows += [_row(policy, first + k * _DAY) for k in range(days)]
    if not policy.place.has_sun:
        rows = [[row[0], *row[5:]] for row in rows]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    marked = any(_STAND_IN in cell for row in rows[1:] for cell in row)
    dated = _dates_of_rules(policy, [first + k * _DAY for k in range(days)])
    return "\n".join([_head(policy), *lines, *_below(policy, marked=marked), *dated]) + "\n"


def _head(policy: Policy) -> str:
    place = policy.place
    if place.latitude is None or place.longitude is None:
        return f"{place.name}, {place.time_zone}; the sun's times need place.latitude and place.longitude"
    north, east = place.latitude, place.longitude
    where = f"{abs(north):g}° {'N' if north >= 0 else 'S'}, {abs(east):g}° {'E' if east >= 0 else 'W'}"
    return f"{place.name}, {where}, {place.time_zone}"


def _row(policy: Policy, on: date) -> list[str]:
    sun = sun_times(policy.place, on)
    crossings = [_crossing(sun.when(each), policy, on) if sun else "" for each in _SUN]
    watch, quiet = policy.hours.watch, policy.hours.quiet
    return [
        f"{on:%a} {on.day:>2} {on:%b %Y}" + _clock_change(policy, on),
        *crossings,
        _windows(policy, watch, on) if watch else "always",
        *(_windows(policy, each, on) if each else "never" for each in (quiet, *_own(policy).values())),
        *_silence_cells(policy, on),
    ]


def _silence_heads(policy: Policy) -> list[str]:
    """Columns that stand there only where the policy has something for them."""
    by = any(absence.by is not None for absence in policy.absence)
    return ["absence"] * by + ["pause"] * bool(policy.pause)


def _silence_cells(policy: Policy, on: date) -> Iterator[str]:
    if any(absence.by is not None for absence in policy.absence):
        looks = [
            _local(time_on(policy.place, absence.by, on), policy, on)
            + (_STAND_IN if _stays(policy.place, absence.by, on) else "")
            + f" {absence.name}"
            for absence in policy.absence
            if absence.by is not None and is_on(absence, on)
        ]
        yield ", ".join(looks) or "not this day"
    if policy.pause:
        yield ", ".join(pauses_on(policy, on)) or "none"


def _own(policy: Policy) -> dict[str, tuple[Window, ...]]:
    """The quiet hours of each sink that has its own."""
    return {sink.name: sink.quiet for sink in policy.sink if sink.quiet is not None}


def _windows(policy: Policy, windows: tuple[Window, ...], on: date) -> str:
    stand_ins = frozenset(_stand_ins(policy.place, windows, on))
    spans = spans_of(windows, policy.place, on)
    shut = "closed by its dates" if any(not within(w.dates, on) for w in windows) else "not this day"
    return ", ".join(_span(policy, span, on, stand_ins) for span in spans) or shut


def _span(policy: Policy, span: Span, on: date, stand_ins: frozenset[datetime]) -> str:
    start, end = (_local(wall, policy, on) + (_STAND_IN if wall in stand_ins else "") for wall in span)
    return f"{start} to {end}"


def _stand_ins(place: Place, windows: tuple[Window, ...], on: date) -> Iterator[datetime]:
    """When those of `windows` that open on `on` open or close though the sun doesn't do what they name."""
    for window in windows:
        for start, end in spans_of((window,), place, on):
            if _stays(place, window.opens, on):
                yield start
            for closing in (on, on + _DAY, on + 2 * _DAY):
                if _stays(place, window.closes, closing) and time_on(place, window.closes, closing) == end:
                    yield end


def _stays(place: Place, at: TimeOfDay, on: date) -> bool:
    """Whether the sun stays up or down on `on`, so that `at` doesn't happen."""
    sun = None if at.sun is None else sun_times(place, on)
    return sun is not None and at.sun is not None and isinstance(sun.when(at.sun), SunAllDay)


def _crossing(when: datetime | SunAllDay, policy: Policy, on: date) -> str:
    return _NOT[when] if isinstance(when, SunAllDay) else _local(when, policy, on)


def _local(wall: datetime, policy: Policy, on: date) -> str:
    """Clock time, with a sign for each day that it is after or before `on`."""
    local = wall.astimezone(policy.place.zone)
    days = (local.date() - on).days
    return f"{local:%H:%M}" + ("+" if days > 0 else "-") * abs(days)


def _clock_change(policy: Policy, on: date) -> str:
    start, end = (datetime.combine(day, time(), policy.place.zone).utcoffset() for day in (on, on + _DAY))
    if start is None or end is None or start == end:
        return ""
    minutes = (end - start) // timedelta(minutes=1)
    return f" (clocks {minutes:+d} min)"


def _its_summary(at: TimeOfDay | str) -> str:
    return f"its summary at {at}" if isinstance(at, TimeOfDay) else "no summary"


def _below(policy: Policy, *, marked: bool) -> list[str]:
    at = policy.summary.at
    told = f"at {at}" if at is not None and policy.summary.send_to else "never"
    text = [f"The summary is sent {told}. Dawn and dusk are those of civil twilight, the sun 6° down."]
    text += [
        f'Absence "{absence.name}": after {absence.after_h:g} h of watching without a visit.'
        for absence in policy.absence
        if absence.after_h is not None
    ]
    text += [f"{sink.name} gets {_its_summary(sink.summary_at)}." for sink in policy.sink if sink.summary_at]
    if marked:
        text.append(f"{_STAND_IN} the sun does not do that on this day: its lowest or its highest stands in.")
    return text


def _dates_of_rules(policy: Policy, days: Sequence[date]) -> Iterator[str]:
    """A line for each rule that has dates, or whose hours have."""
    for rule in policy.rule:
        if rule.dates:
            yield f'Rule "{rule.name}" is for {listed_dates(rule.dates)}: {_which(rule.dates, days)}.'
        for window in rule.hours:
            if window.dates:
                yield (
                    f'Rule "{rule.name}" from {window.opens} to {window.closes} is for'
                    f" {listed_dates(window.dates)}: {_which(window.dates, days)}."
                )


def _which(dates: Sequence[DateRange], days: Sequence[date]) -> str:
    """Which of `days` are in `dates`, in words."""
    count = sum(within(dates, day) for day in days)
    if count in (0, len(days)):
        return "every day above" if count else "no day above"
    return f"{count} of the {len(days)} days above"
