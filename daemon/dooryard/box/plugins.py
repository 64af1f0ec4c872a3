"""Kinds of camera, sensor and sink that other installed packages bring, by entry points.

An entry point of the group `dooryard.cameras`, `dooryard.sensors` or `dooryard.sinks` has the kind's name and
leads to a class as in `kinds`. A package is imported only when a box file asks for its kind.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache
from importlib.metadata import EntryPoint, entry_points
from typing import Any, get_args

from dooryard.box.camera import CAMERAS, USUAL
from dooryard.box.kinds import BROUGHT, CameraOptions, SensorOptions, SinkOptions
from dooryard.box.sensors import SENSORS
from dooryard.box.sinks import SINKS
from dooryard.config.toml_document import Document, quoted
from dooryard.config.toml_lines import Path
from dooryard.config.validation import TAG
from dooryard.core.errors import ConfigError
from dooryard.policy.parse import tables

GROUPS = {"camera": "dooryard.cameras", "sensor": "dooryard.sensors", "sink": "dooryard.sinks"}
_BASES: dict[str, type[Any]] = {"camera": CameraOptions, "sensor": SensorOptions, "sink": SinkOptions}
_BUILT_IN: Mapping[str, Sequence[type[Any]]] = {"camera": CAMERAS, "sensor": SENSORS, "sink": SINKS}


class Plugins:
    """The kinds that installed packages bring."""

    def __init__(self, found: Callable[[str], Sequence[EntryPoint]] | None = None) -> None:
        self._found = cache(
            found or (lambda group: tuple(entry_points(group=group)))
        )  # a look at all packages

    def named(self, table: str, kind: str) -> list[EntryPoint]:
        """The entry points for a kind of `table` ("camera", "sensor", "sink")."""
        return [point for point in self._found(GROUPS[table]) if point.name == kind]

    def options(self, table: str, kind: str) -> type[Any] | None:
        """The class of a kind that a package brings; None: none does.

        Raises ConfigError where the package cannot be used, with what to do.
        """
        points = self.named(table, kind)
        if not points:
            return None
        if len(points) > 1:
            raise ConfigError(
                f"two packages bring this kind: {' and '.join(map(_package, points))}",
                "uninstall one of them",
            )
        (point,) = points
        try:
            options = point.load()
        except Exception as error:  # whatever another's code raises
            raise ConfigError(
                f"{_called(point)} cannot be loaded: {type(error).__name__}: {error}",
                f"fix or upgrade {_package(point)}, or take this kind out",
            ) from error
        wrong = _wrong(options, table, kind)
        if wrong is not None:
            raise ConfigError(f"{_called(point)} {wrong}", f"tell the makers of {_package(point)}")
        BROUGHT[options] = _called(point)
        return options  # type: ignore[no-any-return]  # seen above


def brought(document: Document, plugins: Plugins) -> tuple[dict[str, list[type[Any]]], bool]:
    """The classes that the box file's kinds need beyond the built-in ones; whether one could not be had.

    What is wrong with a package is noted in the document, with the line of the kind.
    """
    found: dict[str, list[type[Any]]] = {table: [] for table in GROUPS}
    refused = False
    for path, table, kind in _kinds(document.data):
        if kind in {kind_named(known) for known in _BUILT_IN[table]}:
            for point in plugins.named(table, kind):
                remedy = "the built-in one is used; that package must call its own otherwise"
                document.warning(path, f"{_called(point)} has the name of a built-in kind: {remedy}")
            continue
        try:
            options = plugins.options(table, kind)
        except ConfigError as error:
            document.problem(path, f"{error.what}; {error.remedy}")
            refused = True
            continue
        if options is not None and options not in found[table]:
            found[table].append(options)
    return found, refused


def without_use(data: dict[str, Any]) -> Iterator[tuple[Path, str]]:
    """Take keys out of [[sensor]] tables that only other kinds of sensor have: they never did anything.

    A quantity that the kind cannot give is left in: whoever asks for it must know.
    """
    keys = {kind_named(kind): set(kind.model_fields) for kind in SENSORS}
    for number, table in enumerate(tables(data.get("sensor", []))):
        mine = keys.get(table.get(TAG, "")) if isinstance(table.get(TAG), str) else None
        asks_more = table.get("quantity", "temperature") != "temperature"
        for key in [
            key for key in table if mine and key not in mine and not (key == "quantity" and asks_more)
        ]:
            kinds = [quoted(kind) for kind, theirs in keys.items() if key in theirs]
            if kinds:
                yield (
                    ("sensor", number, key),
                    f"is only for a sensor of kind {' or '.join(kinds)}; take it out",
                )
                del table[key]


def kind_named(options: type[Any]) -> str:
    """The kind that a class is of: the one value of its key kind."""
    return str(get_args(options.model_fields[TAG].annotation)[0])


def _kinds(data: dict[str, Any]) -> Iterator[tuple[Path, str, str]]:
    """The kinds that a box file names: where, in which table, which."""
    for table in GROUPS:
        for number, each in enumerate(tables(data.get(table, []))):
            kind = each.get(TAG, USUAL if table == "camera" else None)
            if isinstance(kind, str):
                yield ((table, TAG) if table == "camera" else (table, number, TAG)), table, kind


def _wrong(options: Any, table: str, kind: str) -> str | None:
    """What the class lacks; None: nothing."""
    base = _BASES[table]
    if not (isinstance(options, type) and issubclass(options, base)):
        return f"is no {base.__name__} (dooryard.box.kinds)"
    of_kind: Any = options
    if get_args(of_kind.model_fields[TAG].annotation) != (kind,):
        return f'must have the key kind: Literal["{kind}"]'
    return "has no method build" if of_kind.build is base.build else None


def _called(point: EntryPoint) -> str:
    return f'the kind "{point.name}" of the package {_package(point)} ({point.value})'


def _package(point: EntryPoint) -> str:
    return f"{point.dist.name} {point.dist.version}" if point.dist else point.value
