"""Single changes of the engine, each of which the second reading has to find; and a loader for them.

A change is made in a copy of one module's source. The copy and those on the way to it from `decide` are
loaded under other names, so that the engine itself stays as it is.
"""

from __future__ import annotations

import importlib
import re
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import NamedTuple

_PACKAGE = "dooryard.policy"
_IMPORT = re.compile(rf"from {_PACKAGE}\.(\w+) import")


class Change(NamedTuple):
    """`old` text of a module of the policy, which stands there once, and what it becomes."""

    module: str
    old: str
    new: str


CHANGES = (
    Change("hours", "        if start <= wall < end:", "        if start < wall < end:"),
    Change(
        "hours",
        "    return closes.minutes <= opens.minutes",
        "    return closes.minutes < opens.minutes - 60",
    ),
    Change("hours", "for w in windows if w.begins_on(on) for", "for w in windows for"),
    Change("hours", "opens.minutes >= _NOON_MIN", "opens.minutes > _NOON_MIN"),
    Change("hours", "if opens.sun.rising else _NOON_MIN)", "if not opens.sun.rising else _NOON_MIN)"),
    Change("hours", "        return when + timedelta(minutes=at.minutes)", "        return when"),
    Change("hours", "        return closes.sun.rising\n", "        return not closes.sun.rising\n"),
    Change("hours", "(current[0], max(current[1], span[1]))", "(current[0], span[1])"),
    Change("hours", "next(end for end in ends if end > start)", "max(end for end in ends if end > start)"),
    Change("patience", "    if visit.end is not None or", "    if"),
    Change(
        "patience",
        '    if failed == "stay":\n        return True',
        '    if failed == "stay":\n        return False',
    ),
    Change("patience", "    if visit.stay_s >= NAME_WAIT_S:", "    if visit.stay_s > NAME_WAIT_S:"),
    Change("patience", 'return failed == "sure" or (', "return ("),
    Change("patience", "    if visitor.group == _UNSURE_GROUP:", "    if visitor.group != _UNSURE_GROUP:"),
    Change("patience", "    if visitor.species is not None:\n        return False\n", ""),
    Change("naming", "        names.add(NOT_SURE)", "        names.add(ANYTHING)"),
    Change(
        "naming", "        return frozenset({SOMETHING})", "        return frozenset({SOMETHING, ANYTHING})"
    ),
    Change("naming", "    names = {ANYTHING, plain_name(visitor.group)}", "    names = {ANYTHING}"),
    Change("state", "visitor in (None, told.visitor):", "visitor in (None, told.rule):"),
    Change("state", "now_s - told.mono_s < seconds", "now_s - told.mono_s <= seconds"),
    Change("state", "told.day == day if day and told.day", "told.day == day if day or told.day"),
    Change("state", "LONGEST_DAY_S = 25 * 3600.0", "LONGEST_DAY_S = 24 * 3600.0"),
    Change("state", "max(keep_s, LONGEST_DAY_S)", "min(keep_s, LONGEST_DAY_S)"),
    Change("state", "self.held + 1 if until == self.held_until else 1", "self.held + 1"),
    Change("case", "if ALL_SINKS in send_to else send_to", "if ALL_SINKS not in send_to else send_to"),
    Change("case", "now.wall.astimezone(policy.place.zone).date()", "now.wall.date()"),
    Change("asking", "sure >= rule.sure, f'", "sure > rule.sure, f'"),
    Change(
        "asking", "            stay_s >= rule.shortest_stay_s,", "            stay_s > rule.shortest_stay_s,"
    ),
    Change(
        "asking",
        "    if by_group.isdisjoint(wanted):",
        "    if not by_species.isdisjoint(wanted):",
    ),
    Change(
        "asking",
        "    if case.visit.visitor.group == SOMETHING:\n        return Clause",
        "    if not case:\n        return Clause",
    ),
    Change("asking", "    return visitor.group_sure, f", "    return visitor.sure, f"),
    Change("limits", 'rule.cooldown_per == "visitor" else None', 'rule.cooldown_per == "rule" else None'),
    Change("limits", "    cooldown_s = rule.cooldown_min * 60", "    cooldown_s = rule.cooldown_min * 61"),
    Change("limits", "    if left_s > 0:", "    if left_s >= 0:"),
    Change("limits", "    if rule.only_first_of_day:", "    if not rule.only_first_of_day:"),
    Change("limits", "case.now.mono_s, visitor)", "case.now.mono_s)"),
    Change("limits", "            earlier == 0,", "            earlier <= 1,"),
    Change(
        "limits", "            told < rule.at_most_per_hour,", "            told <= rule.at_most_per_hour,"
    ),
    Change("limits", "        told < rule.at_most_per_day,", "        told <= rule.at_most_per_day,"),
    Change("limits", "HOUR_S = 3600.0", "HOUR_S = 3000.0"),
    Change(
        "limits",
        '    if rule.urgent:\n        return Clause("quiet"',
        '    if not rule.urgent:\n        return Clause("quiet"',
    ),
    Change(
        "limits",
        '    if rule.urgent:\n        return Clause("pause"',
        '    if not rule.urgent:\n        return Clause("pause"',
    ),
    Change(
        "limits",
        '    if not case.clock_set:\n        return Clause("quiet"',
        '    if case.clock_set:\n        return Clause("quiet"',
    ),
    Change("sink_limits", "over = had >= most", "over = had > most"),
    Change("sink_limits", "state.held_for(sink, end) > MOST_HELD", "state.held_for(sink, end) >= MOST_HELD"),
    Change("asking", "(not rule.dates or _own_dates(case, rule).passed) and", "True and"),
    Change("decide", "    for rule in policy.rule:", "    for rule in reversed(policy.rule):"),
    Change("decide", 'hours.when_quiet_ends == "summary"', 'hours.when_quiet_ends == "send"'),
    Change("decide", "    elif state.held > MOST_HELD:", "    elif state.held >= MOST_HELD:"),
    Change("decide", "str(quiet_ends(", "str(__import__('dooryard.policy.hours').policy.hours.quiet_until("),
)


@cache
def source(module: str) -> str:
    found = importlib.import_module(f"{_PACKAGE}.{module}").__file__
    assert found is not None
    return Path(found).read_text(encoding="utf-8")


@cache
def reached(module: str) -> frozenset[str]:
    """The module and all that it imports from the policy, those that these import among them."""
    return frozenset({module}).union(*map(reached, _IMPORT.findall(source(module))))


def changed(change: Change) -> tuple[ModuleType, ModuleType]:
    """The changed engine: its `decide`, and the `state` that goes with it."""
    text = source(change.module)
    assert text.count(change.old) == 1, (
        f"{change.old!r} stands in {change.module} {text.count(change.old)} times"
    )
    # Those that use the changed module, after all that they import themselves.
    users = sorted(
        (m for m in reached("decide") if change.module in reached(m)), key=lambda m: len(reached(m))
    )
    loaded: dict[str, ModuleType] = {}
    try:
        for module in users:
            text = source(module)
            text = text.replace(change.old, change.new) if module == change.module else text
            for real in users:
                text = text.replace(f"from {_PACKAGE}.{real} import", f"from changed_{real} import")
            copy = ModuleType(f"changed_{module}")
            sys.modules[copy.__name__] = loaded[module] = copy  # where dataclasses and imports look
            exec(compile(text, f"<changed {module}>", "exec"), copy.__dict__)
    finally:
        for copy in loaded.values():
            sys.modules.pop(copy.__name__, None)
    return loaded["decide"], loaded.get("state") or importlib.import_module(f"{_PACKAGE}.state")
