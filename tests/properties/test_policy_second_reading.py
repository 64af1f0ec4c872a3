"""The engine and a second, simple reading of the README's words decide alike; and seeded faults are found."""

from __future__ import annotations

import os
import random
import sys
import types
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from dooryard.policy import decide as engine
from dooryard.policy.state import PolicyState
from dooryard.records import Outcome
from fakes.rules import SINKS, START, later, policy, visit
from fakes.second_reading import WEEK, Alert, Past, Seen, second_reading

POLICIES = 20_000 if os.environ.get("DOORYARD_LONG") == "1" else 600
FOLDER = Path(engine.__file__).parent
SEEDS = 500  # of each seeded fault: the policies of which one at least must show it
GROUP_OF = {"house finch": "bird", "great tit": "bird", "rex": "dog", "bird": "bird", "cat": "cat"}
NAMES = ("bird", "house finch", "great tit", "squirrel", "cat", "dog", "rex", "animal", "anything",
         "not sure", "something")  # fmt: skip
WHO = (("bird", None), ("bird", "house finch"), ("bird", "great tit"), ("squirrel", None), ("cat", None),
       ("dog", None), ("dog", "rex"), ("animal", None), ("something", None))  # fmt: skip
DATES = ("14 Jun", "15 Jun", "4 Jul", "1 Sep", "24 Dec", "1 Jan", "15 Mar")
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


def made_policy_on_the_past(chance: random.Random) -> dict[str, object]:
    """Rules that ask what came before, or is here besides, and for little else."""
    rules = [
        {
            "name": f"rule {i}",
            "visitor": [chance.choice(("bird", "house finch", "anything"))],
            "cooldown_min": 0,
        }
        | some(chance, 0.5, "sure", 0.0, 0.6, 0.9)
        | some(chance, 0.2, "shortest_stay_s", 8)
        | some(chance, 0.3, "dates", [dict(zip(("from", "to"), chance.sample(DATES, 2), strict=True))])
        | some(chance, 0.2, "at_once", 2, 3)
        | some(chance, 0.2, "visits_in_hour", 2, 3)
        | some(chance, 0.35, "new", "ever", "year", "season")
        | some(chance, 0.25, "unseen_days", 1, 20, 40)
        for i in range(chance.randint(1, 3))
    ]
    return {"rule": rules, "hours": {"quiet": []}}


def made_visits(chance: random.Random, *, past: bool) -> Iterator[tuple[float, Seen]]:
    """Seconds since the start, and a visit at that moment."""
    at_s = 0.0
    days = (20 * 86_400.0, 79 * 86_400.0) if past else (1600.0,)  # 79 days on, a season begins
    for _ in range(chance.randint(4, 16)):
        at_s += chance.choice((30.0, 120.0, 900.0, 3600.0, 20_000.0, *days))
        yield at_s, made_visit(chance, WHO[:2] if past else WHO)


def made_visit(chance: random.Random, who: Sequence[tuple[str, str | None]]) -> Seen:
    group, species = chance.choice(who)
    group_sure = chance.choice((0.55, 0.6, 0.8, 0.9, 0.95))
    sure = chance.choice((0.5, 0.6, group_sure)) if species else group_sure
    stay_s = chance.choice((1.5, 5.0, 7.9, 8.0, 9.9, 10.0, 12.0, 30.0))
    return Seen(group, species, min(sure, group_sure), group_sure, stay_s, chance.random() < 0.4)


def differences(seed: int, decide=engine.decide, state_class=PolicyState) -> Iterator[str]:
    """Where `decide` and the second reading come to something else, on one made policy and its visits."""
    chance = random.Random(seed)
    past = seed % 2 == 1
    tables = made_policy_on_the_past(chance) if past else made_policy(chance)
    rules = policy(*tables["rule"], hours=tables["hours"])
    state, told, history, over = state_class(), [], [], []
    for number, (at_s, seen) in enumerate(made_visits(chance, past=past)):
        now = later(at_s)
        local = (START.wall + timedelta(seconds=at_s)).astimezone(rules.place.zone).replace(tzinfo=None)
        others = [
            replace(made_visit(chance, WHO[:4]), over=False)
            for _ in range(chance.choice((0, 0, 1, 2)) if past else 0)
        ]
        whom, *lasting = (
            visit(
                each.group, each.species, sure=each.sure,
                group_sure=each.group_sure if each.species else None,
                stay_s=each.stay_s, ended=each.over, number=100 * number + k, start=later(-each.stay_s, now),
            )
            for k, each in enumerate((seen, *others))
        )  # fmt: skip
        came = [(local - timedelta(seconds=each.stay_s), each) for each in (seen, *others)]
        if seen.over:
            state = replace(state, seen=state.seen.ending([whom], now.mono_s))
            over.append(came[0])
        before = Past(history, came[1:] if seen.over else came, over)
        state, decision = decide(
            rules, state, whom, now, True, sinks=SINKS, group_of=GROUP_OF, lasting=[whom, *lasting]
        )
        found = (OUTCOMES[decision.outcome], decision.rule, decision.sinks)
        read = second_reading(tables, told, seen, local, sinks=sorted(SINKS), group_of=GROUP_OF, past=before)
        if read[0] == "held" and not decision.sinks and state.held > engine.MOST_HELD:
            read = (read[0], read[1], ())  # the bound of a stretch of quiet hours
        if read != found:
            yield f"seed {seed}, visit {number}: the engine {found}, the second reading {read}: {seen}"
        if decision.outcome is Outcome.TELL:
            told.append(Alert(str(decision.rule), seen.key, local))
        if seen.over or decision.outcome is not Outcome.SILENT:
            state = replace(state, seen=state.seen.seeing(whom.visitor, local.date().isoformat()))
            history.append((seen.key, seen.sure, local.date()))


def test_both_readings_decide_alike():
    assert [text for seed in range(POLICIES) for text in differences(seed)][:3] == []


# Each is one change of a line of the engine: the module, what stands there, and what it becomes.
FAULTS = [
    ("decide", "return _waiting(case, rule, awaited, clauses) if awaited else", "return"),
    ("decide", "if awaited is None and may_yet_take(", "if may_yet_take(rule, visit, 'stay', {}) and ("),
    ("decide", " and is_its_time(case, rule):", ":"),
    ("asking", "not rule.hours or _own_hours(case, rule).passed", "not rule.hours"),
    ("asking", "not rule.dates or _own_dates(case, rule).passed", "not rule.dates"),
    ("asking", "    if rule.dates:\n        yield", "    if rule.dates and rule.urgent:\n        yield"),
    ("asking", "    yield from enough(case, rule)\n", ""),
    ("asking", "    yield from new_enough(case, rule)\n", ""),
    ("company", "others + 1 >= asked", "others >= asked"),
    ("company", "if case.visit.end is not None:", "if False:"),
    ("company", "visit.id != case.visit.id and", ""),
    ("company", "        count >= asked,", "        count > asked,"),
    ("company", "    came |= {", "    _ = {"),
    ("company", "case.now.mono_s - start_s < HOUR_S and", ""),
    ("newness", "visitor.key, rule.sure)", "visitor.key, 0.0)"),
    ("newness", "last < start:", "last <= start:"),
    ("newness", "ago >= asked,", "ago > asked,"),
    ("newness", "_SEASONS = (3, 6, 9, 12)", "_SEASONS = (1, 4, 7, 10)"),
    ("newness", 'period == "year"', 'period != "ever"'),
    ("seen", "if known >= sure:", "if known > sure:"),
    ("seen", "each[0] > day or each[1] > visitor.sure", "each[0] > day"),
    ("seen", "sure >= visitor.sure for", "sure >= 0 for"),
    ("seen", "HOUR_S = 3600.0", "HOUR_S = 1000.0"),
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


MODULES = (
    "naming",
    "seen",
    "state",
    "case",
    "patience",
    "company",
    "newness",
    "asking",
    "limits",
    "decide",
)  # each before what imports it


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
