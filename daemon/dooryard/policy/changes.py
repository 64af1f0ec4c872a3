"""Which keys have another value in another policy. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pydantic import BaseModel

from dooryard.policy.schema import WEEK, Policy, Window
from dooryard.policy.times import TimeOfDay


def policy_changes(a: Policy, b: Policy) -> list[str]:
    """Every key that has another value in `b`: 'rule "any bird": cooldown_min: 4 -> 10'."""
    return list(_changes("", _plain(a), _plain(b)))


def _plain(policy: Policy) -> dict[str, Any]:
    """The policy as plain data, arrays of tables by their names."""
    data: dict[str, Any] = _data(policy)
    data["rule"] = {f'"{rule["name"]}"': rule for rule in data["rule"]}
    for array in ("absence", "pause", "sink"):
        data[array] = {f'"{each["name"]}"': each for each in data[array]}
    data["rules, in order"] = list(data["rule"])
    return data


def _data(value: Any) -> Any:
    if isinstance(value, BaseModel):
        fields = dict(type(value).model_fields)
        if isinstance(value, Window) and value.days == WEEK:
            del fields["days"]  # a window of every day is written without them
        if isinstance(value, Window) and not value.dates:
            del fields["dates"]
        return {info.alias or name: _data(getattr(value, name)) for name, info in fields.items()}
    return [_data(each) for each in value] if isinstance(value, tuple) else value


def _changes(path: str, a: Mapping[str, Any], b: Mapping[str, Any]) -> Iterator[str]:
    for key in dict.fromkeys((*a, *b)):
        where = f"{path} {key}".strip()
        x, y = a.get(key), b.get(key)
        if x == y:
            continue
        if path in ("rule", "absence", "pause", "sink") and (x is None or y is None):
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
