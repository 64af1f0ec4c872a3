"""Every key of a file, made from its schema, for the texts that owners read. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from types import UnionType
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, Field
from pydantic.fields import FieldInfo

from dooryard.config.validation import TAG, key_table
from dooryard.policy.times import TimeOfDay

_BOUNDS = {"ge": "from", "gt": "above", "le": "to", "lt": "below"}


def listed(model: type[BaseModel]) -> str:
    """Markdown: a heading for each table of the file that `model` describes, a line for each of its keys."""
    lines: list[str] = []
    heading = None
    for written, info in keys(model):
        head, _, key = written.rpartition(" ")
        if head != heading:
            heading = head
            lines += ["", f"### `{head}`" if head else "### At the top of the file", ""]
        lines.append(f"- `{key}`{_asked(info)}: {info.description}")
    return "\n".join(lines).strip() + "\n"


def _asked(info: FieldInfo) -> str:
    """Whether it must be given, what holds where it is not, and what may be."""
    values = _values(info)
    default = _default(info)
    held = " (must be given)" if default is None else "" if default == "" else f" = {default}"
    return f"{held}, {values}" if values else held


def keys(model: type[BaseModel]) -> Iterator[tuple[str, FieldInfo]]:
    """Every key of a file as its table and name, such as `[[rule]] cooldown_min`."""
    tables = key_table(model)
    for path, infos in tables.items():
        siblings = [
            each for other, each in tables.items() if _is_tagged(model, path) and other[:-1] == path[:-1]
        ]
        first = bool(siblings) and siblings[0] is infos
        if first:
            yield f"{_head(model, path)} {TAG}", _kind(siblings)
        for key, info in infos.items():
            is_table = not path and any(other[:1] == (key,) for other in tables)
            if is_table or (siblings and key == TAG):
                continue
            if siblings and all(key in each and _same(each[key], info) for each in siblings):
                if first:
                    yield f"{_head(model, path)} {key}", info
                continue
            yield _written(model, path, key), info


def _kind(tables: Sequence[Mapping[str, FieldInfo]]) -> FieldInfo:
    """The key kind of one of several tables, with all its values."""
    kinds = tuple(kind for keys in tables for kind in get_args(keys[TAG].annotation))
    usual = next((keys[TAG].default for keys in tables if not keys[TAG].is_required()), ...)
    info: FieldInfo = Field(default=usual, description="Which kind it is; the keys of each are below.")
    info.annotation = Literal[kinds]  # type: ignore[assignment]  # as a type may be made while it runs
    return info


def _same(one: FieldInfo, other: FieldInfo) -> bool:
    return (one.description, one.default) == (other.description, other.default)


def _is_tagged(model: type[BaseModel], path: tuple[str, ...]) -> bool:
    """Whether the path ends in the kind of one of several tables."""
    return len(path) > 1 and path[:-1] not in key_table(model)


def _head(model: type[BaseModel], path: tuple[str, ...]) -> str:
    """`[camera]`, `[[sink]]`."""
    array = get_origin(model.model_fields[path[0]].annotation) is tuple
    return f"[[{path[0]}]]" if array else f"[{path[0]}]"


def _written(model: type[BaseModel], path: tuple[str, ...], key: str) -> str:
    """`[place] name`, `[[rule]] hours.from`, `[[sink]] kind = "webhook" url`, `[hours] watch.from`."""
    if not path:
        return key
    head, inner = _head(model, path), path[1:]
    if _is_tagged(model, path):
        return f'{head} {TAG} = "{inner[0]}" {key}'
    return f"{head} {'.'.join((*inner, key))}"


def _default(info: FieldInfo) -> str | None:
    """None: it must be given; "": it may be left out."""
    if info.is_required():
        return None
    default = info.get_default(call_default_factory=True)
    return "" if default is None else f"`{_toml(default)}`"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str | TimeOfDay):
        return f'"{value}"'
    if isinstance(value, dict):
        inside = ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _values(info: FieldInfo) -> str:
    """The choices or the bounds."""
    choices = list(_choices(info.annotation))
    if choices:
        return ", ".join(f"`{_toml(choice)}`" for choice in choices)
    return " ".join(
        f"{word} {_toml(getattr(bound, name))}"
        for bound in info.metadata
        for name, word in _BOUNDS.items()
        if hasattr(bound, name)
    )


def _choices(annotation: Any) -> Iterator[object]:
    if get_origin(annotation) is Literal:
        yield from get_args(annotation)
    elif isinstance(annotation, UnionType):  # a choice that may be left out
        for each in get_args(annotation):
            yield from _choices(each)
