"""From what the validation library found to what the owner can use. Pure.

A message never shows a value that was rejected where it might be a secret; keys are always shown.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import Any, Literal, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from dooryard.config.file_kind import CALLED, looks_like
from dooryard.config.toml_document import Document, did_you_mean
from dooryard.config.toml_lines import Path
from dooryard.core.errors import ConfigError

ModelT = TypeVar("ModelT", bound=BaseModel)
Keys = dict[str, FieldInfo]
TAG = "kind"  # the key that says which of several tables is meant

_BOUNDS = {
    "greater_than": ("gt", "more than"),
    "greater_than_equal": ("ge", "at least"),
    "less_than": ("lt", "less than"),
    "less_than_equal": ("le", "at most"),
}
_KINDS = {
    "string_type": 'text in quotation marks, like "this"',
    "string_unicode": "text that can be written as UTF-8",
    "int_from_float": "a whole number",
    "int_type": "a whole number, without quotation marks",
    "float_type": "a number, without quotation marks",
    "finite_number": "a finite number",
    "bool_type": "true or false, without quotation marks",
    "tuple_type": "a list, like [ ... ]",
    "model_type": "a table of its own",
    "model_attributes_type": "a table of its own",
}


def validated(
    model: type[ModelT], document: Document, context: object = None, noted: frozenset[str] = frozenset()
) -> ModelT | None:
    """`document` as a `model`, or None with the problems noted in the document.

    `noted` are the types of problems that the caller notes itself. Raises ConfigError for a file that is
    plainly of the other sort.
    """
    other = looks_like(document.data, model.model_fields)
    if other is not None:
        wanted = next(called for called in CALLED.values() if called != other)
        raise ConfigError(
            f"{document.file}: this looks like a {other}; a {wanted} is wanted here", f"give a {wanted}"
        )
    try:
        return model.model_validate(document.data, context=context)
    except ValidationError as error:
        details = error.errors(include_url=False)
        for detail in details:
            if detail["type"] not in noted and not _follows(detail, details):
                path = _path_in_file(detail["loc"], document.data, _tags(model))
                tagged = detail["type"] == "union_tag_invalid"  # the line of the kind, not of its table
                document.problem((*path, TAG) if tagged else path, _text(model, detail))
        return None


def _follows(detail: ErrorDetails, details: list[ErrorDetails]) -> bool:
    """Whether a list is found too short only because of problems inside it."""
    loc = detail["loc"]
    return detail["type"] == "too_short" and any(
        len(other["loc"]) > len(loc) and other["loc"][: len(loc)] == loc for other in details
    )


@cache
def key_table(model: type[BaseModel]) -> dict[tuple[str, ...], Keys]:
    """Table path -> its keys as the file spells them.

    Where one of several tables may stand, the path ends in its kind: ("sink", "webhook").
    """
    found: dict[tuple[str, ...], Keys] = {}
    _collect(model, (), found)
    return found


def _collect(model: type[BaseModel], path: tuple[str, ...], found: dict[tuple[str, ...], Keys]) -> None:
    keys = {info.alias or name: info for name, info in model.model_fields.items()}
    found[path] = keys
    for key, info in keys.items():
        inner = list(_models_in(info.annotation))
        for sub in inner:
            tag = get_args(sub.model_fields[TAG].annotation)[:1] if len(inner) > 1 else ()
            _collect(sub, (*path, key, *tag), found)


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    """The models that a type is made of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) is not Literal:
        for part in get_args(annotation):
            yield from _models_in(part)


@cache
def _tags(model: type[BaseModel]) -> frozenset[tuple[str, ...]]:
    """Paths that end in the kind of one of several tables: ("sink", "webhook")."""
    tables = key_table(model)
    return frozenset(path for path in tables if len(path) > 1 and path[:-1] not in tables)


def _path_in_file(loc: tuple[int | str, ...], data: Any, tags: frozenset[tuple[str, ...]]) -> Path:
    """`loc` without what the file doesn't have: kinds, and the index of one thing that stands for a list."""
    path: list[int | str] = []
    names: tuple[str, ...] = ()
    node = data
    for part in loc:
        names = (*names, part) if isinstance(part, str) else names
        if isinstance(part, int):
            if not isinstance(node, list):
                continue
            path.append(part)
            node = node[part] if part < len(node) else None
        elif names in tags:
            continue
        else:
            path.append(part)
            node = node.get(part) if isinstance(node, dict) else None
    return tuple(path)


def _text(model: type[BaseModel], detail: ErrorDetails) -> str:
    """What is wrong, and what to do."""
    kind, context = detail["type"], detail.get("ctx", {})
    if kind in ("extra_forbidden", "missing"):
        return _about_key(model, detail["loc"], missing=kind == "missing")
    if kind == "tuple_type" and isinstance(detail["input"], dict) and len(detail["loc"]) == 1:
        return f"write [[{detail['loc'][0]}]], in double brackets: there may be several"
    if kind in _KINDS:
        return f"must be {_KINDS[kind]}"
    if kind in _BOUNDS:
        key, words = _BOUNDS[kind]
        return f"must be {words} {_number(context[key])}{_in_other_units(detail, context[key])}"
    return _about_value(kind, context, detail["input"]) or detail["msg"][:1].lower() + detail["msg"][1:]


def _in_other_units(detail: ErrorDetails, bound: object) -> str:
    """What somebody meant who wrote a percentage, or degrees Fahrenheit."""
    given, key = detail["input"], str(detail["loc"][-1])
    if not isinstance(given, int | float) or isinstance(given, bool):
        return ""
    if bound == 1 and 5 <= given <= 100:
        return f"; it is a part of 1: {_number(given)} % is {_number(given / 100)}"
    if key.endswith("_c"):
        return f"; it is in °C: {_number(given)} °F is {_number(round((given - 32) / 1.8))} °C"
    return ""


def _about_value(kind: str, context: dict[str, Any], given: object) -> str | None:
    if kind == "value_error":
        return str(context["error"])
    if kind == "literal_error":
        return _choice(context["expected"], given)
    if kind == "union_tag_invalid":
        return _choice(_either(context["expected_tags"]), context["tag"])
    if kind == "union_tag_not_found":
        return f"{TAG} is missing; add it, to say what sort this is"
    return _about_size(kind, context)


def _about_key(model: type[BaseModel], loc: tuple[int | str, ...], *, missing: bool) -> str:
    *table, key = (part for part in loc if isinstance(part, str))
    keys = key_table(model).get(tuple(table), {})
    if missing:
        info = keys.get(key)
        return f"missing: add it ({_as_clause(info.description)})" if info else "missing: add it"
    others = _of_other_kinds(model, tuple(table), key)
    if others:
        kinds = " or ".join(f'"{kind}"' for kind in others)
        return f'is only for a {table[0]} of kind {kinds}, not "{table[-1]}"; take it out'
    hint = did_you_mean(key, keys)
    return f"unknown key{hint or '; take it out, or write one of: ' + ', '.join(keys)}"


def _of_other_kinds(model: type[BaseModel], table: tuple[str, ...], key: str) -> list[str]:
    """The kinds of this table that have the key, where its own has not."""
    if table not in _tags(model):
        return []
    siblings = {path[-1]: keys for path, keys in key_table(model).items() if path[:-1] == table[:-1]}
    return [kind for kind, keys in siblings.items() if key in keys]


def _as_clause(description: str | None) -> str:
    """A description as it stands within a sentence: "Its address." as "its address"."""
    text = (description or "").removesuffix(".")
    return text if text[1:2].isupper() else text[:1].lower() + text[1:]


def _about_size(kind: str, context: dict[str, Any]) -> str | None:
    if kind == "too_short":
        return (
            f"needs at least {context['min_length']} entries"
            if context["min_length"] > 1
            else "is empty; name one at least"
        )
    if kind == "too_long":
        return f"has too many entries; at most {context['max_length']} are allowed"
    if kind == "string_too_long":
        return f"is too long; at most {context['max_length']} characters"
    if kind == "string_too_short":
        return "is empty; write something"
    return None


def _choice(expected: str, given: object, of: str = "") -> str:
    """`expected` is a list in words, each choice in single quotation marks."""
    hint = did_you_mean(given, re.findall(r"'([^']*)'", expected)) if isinstance(given, str) else ""
    return f"{of} must be one of {expected}".strip().replace("'", '"') + hint


def _either(tags: str) -> str:
    """Choices joined by commas, the last two by "or"."""
    *first, last = tags.split(", ")
    return f"{', '.join(first)} or {last}" if first else last


def _number(value: float) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
