"""From a policy's text to a `Policy`, or to every problem in it at once. Pure.

Raises `dooryard.errors.ConfigError` only; its `what` has one line a problem: file:line: key: text.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from dooryard.policy.document import Document, Parsed, quoted, read
from dooryard.policy.hours import ever_opens
from dooryard.policy.lines import Path
from dooryard.policy.problems import validated
from dooryard.policy.schema import ANYTHING, SUN_WITHOUT_PLACE, Known, Policy, Rule
from dooryard.policy.times import parse_time


def parse_policy(
    text: str,
    file: str,
    *,
    sinks: frozenset[str] | None = None,
    visitors: frozenset[str] | None = None,
    group_of: Mapping[str, str] | None = None,
) -> Parsed[Policy]:
    """Read a policy.

    Parameters
    ----------
    text : the file's text
    file : its name, for messages
    sinks : names of the box's sinks; None: not checked
    visitors : every group, species and scientific name that can be told, lower case; None: not checked
    group_of : group of each species' name, so that a rule behind its group's rule is found

    Raises ConfigError with all problems.
    """
    document = read(text, file)
    return policy_in(document, sinks=sinks, visitors=visitors, group_of=group_of)


def policy_in(
    document: Document,
    *,
    sinks: frozenset[str] | None = None,
    visitors: frozenset[str] | None = None,
    group_of: Mapping[str, str] | None = None,
) -> Parsed[Policy]:
    """`parse_policy` for a text that was read already."""
    policy = None
    if document.readable:
        policy = validated(Policy, document, Known(sinks, visitors), frozenset({SUN_WITHOUT_PLACE}))
        note_doubles(document, "rule", "name")
        _note_sun_without_place(document)
        if policy is not None:
            _note_windows_that_never_open(document, policy)
    document.raise_problems()
    assert policy is not None  # or there were problems
    _warn_of_rules(document, policy, group_of or {})
    _warn_of_lost_holds(document, policy)
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


def _note_windows_that_never_open(document: Document, policy: Policy) -> None:
    for key in ("watch", "quiet"):
        as_list = isinstance(document.data.get("hours", {}).get(key), list)
        for i, window in enumerate(getattr(policy.hours, key)):
            if not ever_opens(window, policy.place):
                document.problem(
                    ("hours", key, i) if as_list else ("hours", key),
                    f"from {window.opens} to {window.closes} never opens at this place, "
                    "on no day of the year; choose other times",
                )


def _times(data: Mapping[str, Any]) -> Iterator[tuple[Path, object]]:
    """Every time of day in a policy, as the file has it."""
    hours, summary = data.get("hours"), data.get("summary")
    for key in ("watch", "quiet"):
        windows = hours.get(key, ()) if isinstance(hours, dict) else ()
        for i, window in enumerate(tables(windows)):
            at = (i,) if isinstance(windows, list) else ()
            for end in ("from", "to"):
                if end in window:
                    yield ("hours", key, *at, end), window[end]
    if isinstance(summary, dict) and "at" in summary:
        yield ("summary", "at"), summary["at"]


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
    wider = {visitor, ANYTHING, group_of.get(visitor, visitor)}
    for other in earlier:
        asks_less = other.sure <= rule.sure and other.shortest_stay_s <= rule.shortest_stay_s
        if asks_less and wider & set(other.visitor):
            return other
    return None


def _warn_of_lost_holds(document: Document, policy: Policy) -> None:
    """Warn where quiet hours hold alerts for a summary that is never sent."""
    summary = policy.summary
    if policy.hours.quiet and (summary.at is None or not summary.send_to):
        document.warning(
            ("hours", "quiet"),
            "what is held in quiet hours is told in the summary, and none is sent: "
            "set summary.at and summary.send_to",
        )
