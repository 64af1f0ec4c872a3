"""What two policies make of the same frames: where they differ, and why. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from dooryard.policy.schema import Policy
from dooryard.policy.times import TimeOfDay
from dooryard.rehearse.records import Rehearsal, Seen


@dataclass(frozen=True, slots=True)
class Difference:
    """One visit on which two rehearsals differ. None: the visit isn't there."""

    a: Seen | None
    b: Seen | None
    what: str  # "not told, was told"

    @property
    def start(self) -> Any:
        seen = self.a or self.b
        assert seen is not None
        return seen.visit.start.wall


def differences(a: Rehearsal, b: Rehearsal) -> list[Difference]:
    """Where `b` decides otherwise than `a`, in the order of the visits."""
    found = [Difference(x, y, what) for x, y in pairs(a, b) if (what := _what(x, y))]
    return sorted(found, key=lambda difference: difference.start)


def pairs(a: Rehearsal, b: Rehearsal) -> Iterator[tuple[Seen | None, Seen | None]]:
    """Each visit of either with the one of the other that shares the most time with it, or None."""
    left = list(b.seen)
    for x in a.seen:
        best = max(left, key=lambda y: _shared_s(x, y), default=None)
        if best is not None and _shared_s(x, best) >= 0:
            left.remove(best)
            yield x, best
        else:
            yield x, None
    yield from ((None, y) for y in left)


def policy_changes(a: Policy, b: Policy) -> list[str]:
    """Every key that has another value in `b`: 'rule "any bird": cooldown_min: 4 -> 10'."""
    return list(_changes("", _plain(a), _plain(b)))


def _what(a: Seen | None, b: Seen | None) -> str:
    if a is None:
        assert b is not None
        return f"only with the second: {b.decision.outcome.value}"
    if b is None:
        return f"only with the first: {a.decision.outcome.value}"
    for now, before in zip(_told(b), _told(a), strict=True):
        if now != before:
            return f"{now}, was {before}"
    return ""


def _told(seen: Seen) -> tuple[str, ...]:
    """What a difference is told of, the weightiest first."""
    decision = seen.decision
    to = ", ".join(decision.sinks) or "nobody"
    return decision.outcome.value, f"to {to}", seen.visit.visitor.name, f"by {_rule(decision.rule)}"


def _rule(name: str | None) -> str:
    return f'rule "{name}"' if name else "no rule"


def _shared_s(a: Seen, b: Seen) -> float:
    """Seconds that both were there; negative where there is a gap between them."""
    start = max(a.visit.start.mono_s, b.visit.start.mono_s)
    end = min(a.visit.last_seen.mono_s, b.visit.last_seen.mono_s)
    same = 0.001 * (a.visit.id == b.visit.id) + 0.001 * (a.visit.visitor.group == b.visit.visitor.group)
    return end - start + same if end >= start else end - start


def _plain(policy: Policy) -> dict[str, Any]:
    """The policy as plain data, arrays of tables by their names."""
    data: dict[str, Any] = _data(policy)
    data["rule"] = {f'"{rule["name"]}"': rule for rule in data["rule"]}
    data["rules, in order"] = list(data["rule"])
    return data


def _data(value: Any) -> Any:
    if isinstance(value, BaseModel):
        fields = type(value).model_fields.items()
        return {info.alias or name: _data(getattr(value, name)) for name, info in fields}
    return [_data(each) for each in value] if isinstance(value, tuple) else value


def _changes(path: str, a: Mapping[str, Any], b: Mapping[str, Any]) -> Iterator[str]:
    for key in dict.fromkeys((*a, *b)):
        where = f"{path} {key}".strip()
        x, y = a.get(key), b.get(key)
        if x == y:
            continue
        if path == "rule" and (x is None or y is None):
            yield f"{where}: {'new' if x is None else 'taken out'}"
        elif isinstance(x, Mapping) and isinstance(y, Mapping):
            yield from _changes(f"{where}:" if path else where, x, y)
        else:
            yield f"{where}: {_shown(x)} -> {_shown(y)}"


def _shown(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, TimeOfDay | str):
        return str(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{key} = {_shown(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_shown, value)) + "]"
    return f"{value:g}" if isinstance(value, float) else str(value)
