"""The engine and a second, simple reading of the README's words decide alike; and seeded faults are found."""

from __future__ import annotations

import os
import random
import sys
import types
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from dooryard.policy import decide as engine
from dooryard.policy.state import PolicyState
from dooryard.records import Outcome
from fakes.rules import SINKS, START, later, policy, visit
from fakes.second_reading import WEEK, Alert, Seen, second_reading

POLICIES = 20_000 if os.environ.get("DOORYARD_LONG") == "1" else 600
FOLDER = Path(engine.__file__).parent
SEEDS = 250  # of each seeded fault: the policies of which one at least must show it
GROUP_OF = {"house finch": "bird", "great tit": "bird", "rex": "dog", "bird": "bird", "cat": "cat"}
NAMES = ("bird", "house finch", "great tit", "squirrel", "cat", "dog", "rex", "animal", "anything",
         "not sure", "something")  # fmt: skip
WHO = (("bird", None), ("bird", "house finch"), ("bird", "great tit"), ("squirrel", None), ("cat", None),
       ("dog", None), ("dog", "rex"), ("animal", None), ("something", None))  # fmt: skip
OUTCOMES = {Outcome.TELL: "told", Outcome.HOLD: "held", Outcome.SILENT: "not told"}


def some(chance: random.Random, part: float, key: str, *values: object) -> dict[str, object]:
    return {key: chance.choice(values)} if chance.random() < part else {}


def windows(chance: random.Random) -> list[dict[str, object]]:
    times = [f"{hour:02d}:{minute:02d}" for hour in range(24) for minute in (0, 30)]
    opens, closes = chance.sample(times, 2)
    return [{"from": opens, "to": closes} | some(chance, 0.3, "days", chance.sample(WEEK, 4))]


def made_policy(chance: random.Random) -> dict[str, object]:
    rules = [
        {"name": f"rule {i}", "visitor": chance.sample(NAMES, chance.choice((1, 1, 2)))}
        | some(chance, 0.6, "sure", 0.0, 0.6, 0.9)
        | some(chance, 0.5, "shortest_stay_s", 5, 8, 20)
        | some(chance, 0.25, "hours", windows(chance))
        | some(chance, 0.8, "cooldown_min", 0, 2, 30)
        | some(chance, 0.4, "cooldown_per", "rule")
        | some(chance, 0.3, "at_most_per_day", 1, 3)
        | some(chance, 0.3, "at_most_per_hour", 1, 2)
        | some(chance, 0.2, "only_first_of_day", True)
        | some(chance, 0.3, "urgent", True)
        | some(chance, 0.5, "send_to", [], ["phone"], ["post", "phone"], ["bell", "phone"])
        for i in range(chance.randint(1, 4))
    ]
    return {"rule": rules, "hours": {"quiet": windows(chance) if chance.random() < 0.5 else []}}


def made_visits(chance: random.Random) -> Iterator[tuple[float, Seen]]:
    """Seconds since the start, and a visit at that moment."""
    at_s = 0.0
    for _ in range(chance.randint(4, 16)):
        at_s += chance.choice((30.0, 120.0, 900.0, 3600.0, 20_000.0))
        group, species = chance.choice(WHO)
        group_sure = chance.choice((0.55, 0.6, 0.8, 0.9, 0.95))
        sure = chance.choice((0.5, 0.6, group_sure)) if species else group_sure
        stay_s = chance.choice((1.5, 5.0, 7.9, 8.0, 9.9, 10.0, 12.0, 30.0))
        yield at_s, Seen(group, species, min(sure, group_sure), group_sure, stay_s, chance.random() < 0.4)


def differences(seed: int, decide=engine.decide, state_class=PolicyState) -> Iterator[str]:
    """Where `decide` and the second reading come to something else, on one made policy and its visits."""
    chance = random.Random(seed)
    tables = made_policy(chance)
    rules = policy(*tables["rule"], hours=tables["hours"])
    state, told = state_class(), []
    for number, (at_s, seen) in enumerate(made_visits(chance)):
        now = later(at_s)
        local = (START.wall + timedelta(seconds=at_s)).astimezone(rules.place.zone).replace(tzinfo=None)
        whom = visit(
            seen.group, seen.species, sure=seen.sure, group_sure=seen.group_sure if seen.species else None,
            stay_s=seen.stay_s, ended=seen.over, number=number,
        )  # fmt: skip
        state, decision = decide(rules, state, whom, now, True, sinks=SINKS, group_of=GROUP_OF)
        found = (OUTCOMES[decision.outcome], decision.rule, decision.sinks)
        read = second_reading(tables, told, seen, local, sinks=sorted(SINKS), group_of=GROUP_OF)
        if read[0] == "held" and not decision.sinks and state.held > engine.MOST_HELD:
            read = (read[0], read[1], ())  # the bound of a stretch of quiet hours
        if read != found:
            yield f"seed {seed}, visit {number}: the engine {found}, the second reading {read}: {seen}"
        if decision.outcome is Outcome.TELL:
            told.append(Alert(str(decision.rule), seen.key, local))


def test_both_readings_decide_alike():
    assert [text for seed in range(POLICIES) for text in differences(seed)][:3] == []


# Each is one change of a line of the engine: the module, what stands there, and what it becomes.
FAULTS = [
    ("decide", "return _waiting(case, rule, awaited, clauses) if awaited else", "return"),
    ("decide", "if awaited is None and may_yet_take(", "if may_yet_take(rule, visit, 'stay', {}) and ("),
    ("decide", " and is_its_hour(case, rule):", ":"),
    ("asking", "return not rule.hours or _own_hours(case, rule).passed", "return not rule.hours"),
    ("case", "sorted(sinks) if ALL_SINKS in send_to else send_to", "send_to"),
    ("case", "dict.fromkeys(name for name in named if name in sinks)", "dict.fromkeys(named)"),
    ("decide", "not names.isdisjoint(rule.visitor)", "names.issuperset(rule.visitor)"),
    ("asking", "    if rule.hours:\n        yield", "    if rule.hours and rule.urgent:\n        yield"),
    ("asking", "stay_s >= rule.shortest_stay_s,", "stay_s > rule.shortest_stay_s,"),
    ("asking", "if rule.shortest_stay_s > 0:", "if rule.shortest_stay_s > 6:"),
    ("asking", '"sure", sure >= rule.sure', '"sure", sure > rule.sure'),
    ("asking", "return visitor.group_sure, f", "return visitor.sure, f"),
    ("asking", 'return visitor.sure, f" of', 'return visitor.group_sure, f" of'),
    ("asking", 'return Clause("sure", True, "the classifier', 'return Clause("sure", False, "the classifier'),
    ("limits", 'if rule.cooldown_per == "visitor" else None', 'if rule.cooldown_per == "rule" else None'),
    ("limits", "cooldown_s = rule.cooldown_min * 60", "cooldown_s = rule.cooldown_min * 50"),
    ("limits", "    if left_s > 0:", "    if left_s >= 0:"),
    ("limits", "case.now.mono_s, visitor)", "case.now.mono_s)"),
    ("limits", "told < rule.at_most_per_hour,", "told <= rule.at_most_per_hour,"),
    ("limits", "told < rule.at_most_per_day,", "told <= rule.at_most_per_day,"),
    ("limits", "HOUR_S = 3600.0", "HOUR_S = 4000.0"),
    ("limits", "    if rule.urgent:\n", "    if not rule.urgent:\n"),
    ("limits", "if not quiet(case.policy", "if quiet(case.policy"),
    ("patience", "if visit.end is not None or", "if"),
    ("patience", "or visit.visitor.group == SOMETHING:", "and visit.visitor.group == SOMETHING:"),
    ("patience", 'if failed == "stay":', 'if failed == "hours":'),
    ("patience", "if visit.stay_s >= NAME_WAIT_S:", "if visit.stay_s > NAME_WAIT_S:"),
    ("patience", 'return failed == "sure" or', "return"),
    ("patience", "    if visitor.species is not None:\n        return False\n", ""),
    ("patience", "if visitor.group == _UNSURE_GROUP:", "if False:"),
    ("patience", "visitor.group) == visitor.group for", "visitor.group) != visitor.group for"),
    ("naming", "        return frozenset({SOMETHING})", "        return frozenset({SOMETHING, ANYTHING})"),
    ("naming", "if visitor.species is None and _has_species(visitor.group, group_of):", "if True:"),
    ("naming", "of == group != name", "of == group"),
    ("state", "for told in reversed(self.told):", "for told in self.told:"),
    ("state", "if told.rule == rule and visitor in", "if visitor in"),
    ("state", "told.rule == rule and now_s", "now_s"),
    ("state", "told.day == day if day and told.day", "told.day != day if day and told.day"),
]  # fmt: skip


MODULES = ("naming", "state", "case", "patience", "asking", "limits", "decide")  # each before what imports it


def faulty(name: str, old: str, new: str):
    """The engine's `decide` and its state's class, with one line changed."""
    made = {}
    for each in MODULES:
        source = (FOLDER / f"{each}.py").read_text(encoding="utf-8")
        if each == name:
            assert source.count(old) == 1, f"{each}.py has {source.count(old)} of: {old}"
            source = source.replace(old, new)
        module = made[each] = types.ModuleType(f"faulty_{each}")
        sys.modules[module.__name__] = module  # its dataclasses look themselves up there
        for earlier in made:
            source = source.replace(f"from dooryard.policy.{earlier} import", f"from faulty_{earlier} import")
        exec(compile(source, f"{each}.py", "exec"), module.__dict__)
    return made["decide"].decide, made["state"].PolicyState


@pytest.mark.parametrize(
    ("module", "old", "new"), FAULTS, ids=[f"{i}-{each[0]}" for i, each in enumerate(FAULTS)]
)
def test_a_seeded_fault_is_found(module, old, new):
    decide, state = faulty(module, old, new)
    assert any(True for seed in range(SEEDS) for _text in differences(seed, decide, state))


def test_the_harness_itself_finds_nothing():
    decide, state = faulty("limits", "HOUR_S = 3600.0", "HOUR_S = 3600.00")
    assert not any(True for seed in range(SEEDS) for _text in differences(seed, decide, state))
