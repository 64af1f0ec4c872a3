"""From a policy's text to a `Policy`, or to every problem in it at once. Pure.

Raises `dooryard.core.errors.ConfigError` only; its `what` has one line a problem: file:line: key: text.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from datetime import timedelta
from typing import Any

from dooryard.config.toml_document import Document, Parsed, quoted, read
from dooryard.config.toml_lines import Path
from dooryard.config.validation import validated
from dooryard.core.records import SOMETHING
from dooryard.core.wording import duration
from dooryard.policy import sense, sense_silence, sink_sense
from dooryard.policy.hours import Span, ever_opens, ever_together, longest, once_ended_otherwise
from dooryard.policy.schema import ANYTHING, SUN_WITHOUT_PLACE, KnownNames, Policy, Rule, Window
from dooryard.policy.times import parse_time

_DAY = timedelta(days=1)
_LONGEST_WINDOW = _DAY + timedelta(minutes=1)  # noon itself comes up to half a minute later the next day


def parse_policy(
    text: str,
    file: str,
    *,
    sinks: frozenset[str] | None = None,
    visitors: frozenset[str] | None = None,
    group_of: Mapping[str, str] | None = None,
    sensors: Collection[str] | None = None,
) -> Parsed[Policy]:
    """Read a policy.

    Parameters
    ----------
    text : the file's text
    file : its name, for messages
    sinks : names of the box's sinks; None: not checked
    visitors : every group, species and scientific name that can be told, lower case; None: not checked
    group_of : group of each species' name, so that a rule behind its group's rule is found
    sensors : names of the box's sensors, or a mapping from them to gauges; None: not checked

    Raises ConfigError with all problems.
    """
    document = read(text, file)
    return policy_in(document, sinks=sinks, visitors=visitors, group_of=group_of, sensors=sensors)


def policy_in(
    document: Document,
    *,
    sinks: frozenset[str] | None = None,
    visitors: frozenset[str] | None = None,
    group_of: Mapping[str, str] | None = None,
    sensors: Collection[str] | None = None,
) -> Parsed[Policy]:
    """`parse_policy` for a text that was read already."""
    policy = None
    if document.readable:
        known = KnownNames(sinks, visitors, sensors)
        policy = validated(Policy, document, known, frozenset({SUN_WITHOUT_PLACE}))
        for array in ("rule", "absence", "pause", "sink"):
            note_doubles(document, array, "name")
        _note_double_steps(document)
        _note_sun_without_place(document)
        if policy is not None:
            _note_air_unknown(document, policy, sensors)
            _note_windows(document, policy)
            sink_sense.note_wrong_sinks(document, policy)
            sense.note_wrong_sensors(document, policy, sensors)
    document.raise_problems()
    assert policy is not None  # or there were problems
    _warn_of_rules(document, policy, group_of or {})
    _warn_of_lost_holds(document, policy)
    _warn_of_hours_without_watch(document, policy)
    _warn_of_windows_that_ended_otherwise(document, policy)
    sense.warn(document, policy)
    sense_silence.warn(document, policy)
    sink_sense.warn_of_sinks(document, policy)
    sense.warn_of_slow_sensors(document, policy, sensors)
    return Parsed(policy, document.told())


def note_doubles(document: Document, array: str, key: str) -> None:
    """Note each element of `array` whose `key` an earlier one has too."""
    seen: dict[str, int] = {}
    for i, element in enumerate(tables(document.data.get(array))):
        name = element.get(key)
        if isinstance(name, str) and seen.setdefault(name.strip(), i) != i:
            first = seen[name.strip()]
            document.problem(
                (array, i, key), f"{quoted(name)} is the {key} of {array}[{first + 1}] too; give another"
            )


def _note_double_steps(document: Document) -> None:
    """Note each heat step that begins where another of its sensor does: only one of them could be meant."""
    seen: dict[tuple[str, str], int] = {}
    for i, element in enumerate(tables(document.data.get("heat"))):
        step = (str(element.get("sensor")), str(element.get("above_c")))
        if "sensor" in element and "above_c" in element and seen.setdefault(step, i) != i:
            document.problem(
                ("heat", i, "above_c"),
                f"heat[{seen[step] + 1}] begins there too; make one step of both, or choose another",
            )


def _note_air_unknown(document: Document, policy: Policy, sensors: Collection[str] | None) -> None:
    """Note a moisture watch whose `air` is left at its default where the box has no such sensor."""
    moisture = policy.moisture
    written = "air" in moisture.model_fields_set  # then it was checked with the rest
    if sensors is not None and moisture.humidity and not written and moisture.air not in sensors:
        document.problem(
            ("moisture",),
            f"the box has no sensor {quoted(moisture.air)}; add the key air: "
            f"one of {', '.join(sorted(sensors))}",
        )


def tables(value: object) -> list[dict[str, Any]]:
    """The elements of what should be an array of tables; what isn't a table counts as an empty one."""
    elements = value if isinstance(value, list) else [value]
    return [element if isinstance(element, dict) else {} for element in elements]


def _note_sun_without_place(document: Document) -> None:
    """Note each time that goes by the sun where the sun's times can't be known.

    `Policy` refuses this too, but only when nothing else is wrong, and without a line.
    """
    place = document.data.get("place", {})
    if isinstance(place, dict) and "latitude" in place and "longitude" in place:
        return
    for path, value in _times(document.data):
        try:
            sun = parse_time(value).sun
        except ValueError:
            continue  # noted as a wrong time
        if sun is not None:
            document.problem(path, f"{sun} needs to know where: add place.latitude and place.longitude")


def _written_windows(document: Document, policy: Policy) -> Iterator[tuple[Path, Window]]:
    """Each window and where the file has it."""
    places: list[tuple[Path, object, tuple[Window, ...]]] = []
    hours = document.data.get("hours", {})
    for key, windows in (("watch", policy.hours.watch), ("quiet", policy.hours.quiet)):
        places.append((("hours", key), hours.get(key), windows))
    for n, (rule, table) in enumerate(zip(policy.rule, tables(document.data.get("rule")), strict=False)):
        places.append((("rule", n, "hours"), table.get("hours"), rule.hours))
    for n, (sink, table) in enumerate(zip(policy.sink, tables(document.data.get("sink")), strict=False)):
        places.append((("sink", n, "quiet"), table.get("quiet"), sink.quiet or ()))
    for path, written, windows in places:
        for i, window in enumerate(windows):
            yield (*path, i) if isinstance(written, list) else path, window


def _note_windows(document: Document, policy: Policy) -> None:
    """Note each window that never opens here, and each that lasts for more than a day."""
    for path, window in _written_windows(document, policy):
        written = f"from {window.opens} to {window.closes}"
        if not ever_opens(window, policy.place):
            document.problem(
                path, f"{written} never opens at this place, on no day of the year; choose other times"
            )
        elif window.by_sun and not window.by_sun_only:
            lasts, on = longest(window, policy.place)
            if lasts > _LONGEST_WINDOW:
                document.problem(
                    path,
                    f"{written} lasts {duration(lasts.total_seconds())} on {on.day} {on:%B}, more than a day;"
                    ' choose an earlier end, or write from = "00:00", to = "24:00"',
                )


def _warn_of_windows_that_ended_otherwise(document: Document, policy: Policy) -> None:
    """Warn of each window that meant something else while ends went by the order of the events."""
    for path, window in _written_windows(document, policy):
        found = once_ended_otherwise(window, policy.place)
        if found is None:
            continue
        on, now, then = found
        lasted = "did not open" if then is None else f"lasted {_length(then)}"
        lasts = "does not open" if now is None else f"lasts {_length(now)}"
        keep = (
            ' (to keep that, write from = "00:00", to = "24:00")' if then and then[1] - then[0] > _DAY else ""
        )
        document.warning(
            path,
            f"from {window.opens} to {window.closes} ends at the next {window.closes} after it begins: on"
            f" {on.day} {on:%B} it {lasts}; in earlier versions it {lasted}{keep}",
        )


def _length(span: Span) -> str:
    return duration((span[1] - span[0]).total_seconds())


def _times(data: Mapping[str, Any]) -> Iterator[tuple[Path, object]]:
    """Every time of day in a policy, as the file has it."""
    hours, summary = data.get("hours"), data.get("summary")
    for key in ("watch", "quiet"):
        yield from _ends(("hours", key), hours.get(key, ()) if isinstance(hours, dict) else ())
    for n, rule in enumerate(tables(data.get("rule", ()))):
        yield from _ends(("rule", n, "hours"), rule.get("hours", ()))
    for n, absence in enumerate(tables(data.get("absence", ()))):
        if "by" in absence:
            yield ("absence", n, "by"), absence["by"]
    for n, sink in enumerate(tables(data.get("sink", ()))):
        yield from _ends(("sink", n, "quiet"), sink.get("quiet", ()))
        if "summary_at" in sink:
            yield ("sink", n, "summary_at"), sink["summary_at"]
    if isinstance(summary, dict) and "at" in summary:
        yield ("summary", "at"), summary["at"]


def _ends(path: Path, windows: object) -> Iterator[tuple[Path, object]]:
    """The two times of each window."""
    for i, window in enumerate(tables(windows)):
        at = (i,) if isinstance(windows, list) else ()
        for end in ("from", "to"):
            if end in window:
                yield (*path, *at, end), window[end]


def _warn_of_rules(document: Document, policy: Policy, group_of: Mapping[str, str]) -> None:
    """Warn of each rule whose every visitor is always taken by a rule before it."""
    for i, rule in enumerate(policy.rule):
        takers = [_taker(policy.rule[:i], rule, visitor, group_of) for visitor in rule.visitor]
        if all(takers):
            names = " and ".join(f'"{name}"' for name in dict.fromkeys(t.name for t in takers if t))
            document.warning(
                ("rule", i),
                f'"{rule.name}" can never fire: {names} before it always takes its visitors; '
                "move it up, or take it out",
            )


def _taker(earlier: Iterable[Rule], rule: Rule, visitor: str, group_of: Mapping[str, str]) -> Rule | None:
    """The earlier rule that takes all that `rule` would take of `visitor`, if there is one."""
    wider = {visitor} if visitor == SOMETHING else {visitor, ANYTHING, group_of.get(visitor, visitor)}
    for other in earlier:
        asks_less = other.sure <= rule.sure and other.shortest_stay_s <= rule.shortest_stay_s
        asks_less = asks_less and not _asks_for_company_or_news(other) and other.dates in ((), rule.dates)
        if asks_less and _covers(other.hours, rule.hours) and wider & set(other.visitor):
            return other
    return None


def _asks_for_company_or_news(rule: Rule) -> bool:
    """Whether it lets visits pass by how many came, or by how new they are: no rule behind it is in vain."""
    return any(each is not None for each in (rule.at_once, rule.visits_in_hour, rule.new, rule.unseen_days))


def _covers(wide: tuple[Window, ...], narrow: tuple[Window, ...]) -> bool:
    """Whether `wide` is plainly open whenever `narrow` is: none, or the same times on those days and more."""
    return not wide or (
        bool(narrow)
        and all(
            any(
                (w.opens, w.closes) == (n.opens, n.closes)
                and set(n.days) <= set(w.days)
                and w.dates in ((), n.dates)
                for w in wide
            )
            for n in narrow
        )
    )


def _warn_of_lost_holds(document: Document, policy: Policy) -> None:
    """Warn where quiet hours hold alerts for a summary that is never sent."""
    summary = policy.summary
    lost = policy.hours.quiet and policy.hours.when_quiet_ends == "summary"
    if lost and (summary.at is None or not summary.send_to):
        document.warning(
            ("hours", "quiet"),
            "what is held in quiet hours is told in the summary, and none is sent: "
            "set summary.at and summary.send_to",
        )


def _warn_of_hours_without_watch(document: Document, policy: Policy) -> None:
    """Warn of each rule whose hours are never among those in which the camera watches."""
    watch = policy.hours.watch
    for i, rule in enumerate(policy.rule):
        if watch and rule.hours and not ever_together(rule.hours, watch, policy.place):
            document.warning(
                ("rule", i, "hours"),
                f'"{rule.name}" can never fire: the camera never watches in its hours; '
                "choose other times or days here, or in hours.watch",
            )
