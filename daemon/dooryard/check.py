"""`dooryard check`: policy and box files, every problem and warning at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TextIO, TypeVar

from dooryard.box import BoxFile, box_in, telling
from dooryard.errors import EXIT_OK, ConfigError, DooryardError
from dooryard.pipeline import Conditions
from dooryard.policy.changes import policy_changes
from dooryard.policy.document import Document, Parsed, read
from dooryard.policy.parse import parse_policy, policy_in
from dooryard.policy.reference import table
from dooryard.policy.schema import Policy
from dooryard.policy.sorts import sort_of
from dooryard.sensors.registry import SYSTEM

T = TypeVar("T")
VisitorsOf = Callable[[BoxFile, Path], tuple[frozenset[str], dict[str, str]]]
_MOST_BYTES = 1_000_000


def check(
    paths: Sequence[Path],
    out: TextIO,
    *,
    visitors_of: VisitorsOf | None = None,
) -> int:
    """Check each file, whichever sort it is, and print what is found to `out`.

    When box files are among them, the policies' sinks, sensors and visitors must be theirs; else the
    visitors are those of the built-in model. `visitors_of` tells whom a box knows; None: not checked.
    Returns 0, or the exit code of `ConfigError`.
    """
    documents = [document for path in paths if (document := _read(path, out)) is not None]
    boxes = [_result(document, box_in, out) for document in documents if sort_of(document.data) == "box"]
    sinks = sensors = None
    sound_boxes = [box for box in boxes if box is not None]
    # Where a box file is wrong or none is given, nobody knows what sinks and sensors there are.
    if boxes and len(sound_boxes) == len(boxes):
        sinks = frozenset(name for box in sound_boxes for name in telling(box))
        sensors = frozenset(name for box in sound_boxes for name in sensor_names(box))

    visitors, group_of = _visitors(boxes, documents, visitors_of, out)

    def policy(document: Document) -> Parsed[Policy]:
        return policy_in(document, sinks=sinks, visitors=visitors, group_of=group_of, sensors=sensors)

    policies = [
        _result(document, policy, out) for document in documents if sort_of(document.data) == "policy"
    ]
    sound = len(documents) == len(paths) and all([*boxes, *policies])
    return EXIT_OK if sound else ConfigError.exit_code


def _visitors(
    boxes: Sequence[BoxFile | None],
    documents: Sequence[Document],
    visitors_of: VisitorsOf | None,
    out: TextIO,
) -> tuple[frozenset[str] | None, dict[str, str]]:
    """Whom the policies may name; None: nobody knows, as a box file is wrong or its model is not here."""
    if visitors_of is None or None in boxes:
        return None, {}
    files = [Path(document.file) for document in documents if sort_of(document.data) == "box"]
    names, group_of = frozenset[str](), dict[str, str]()
    for box, file in zip(boxes or [BoxFile()], files or [Path()], strict=True):
        assert box is not None  # seen above
        try:
            more, groups = visitors_of(box, file.resolve().parent)
        except DooryardError as error:
            print(f"{file}: names of visitors are not checked: {error.what} (a warning)", file=out)
            return None, {}
        names, group_of = names | more, group_of | groups
    return names, group_of


def sensor_names(box: BoxFile) -> frozenset[str]:
    """Names of the sensors of `box`: its own, and those of every board that none of its own replaces."""
    replaced = {sensor.kind for sensor in box.sensor}
    return frozenset(sensor.name for sensor in box.sensor) | (frozenset(SYSTEM) - replaced)


def reread(
    path: Path,
    *,
    sinks: frozenset[str],
    visitors: frozenset[str] | None = None,
    group_of: Mapping[str, str] | None = None,
    sensors: frozenset[str] | None = None,
) -> tuple[Policy | None, str]:
    """Read a policy that was changed while the box runs: all of it, or nothing.

    Returns the policy and its warnings, one a line; or None and the first problem of the file.
    """
    try:
        text = read_text(path)
        parsed = parse_policy(
            text, str(path), sinks=sinks, visitors=visitors, group_of=group_of, sensors=sensors
        )
    except ConfigError as error:
        return None, error.what.split("\n")[0]
    return parsed.value, "\n".join(parsed.warnings)


def rereader(
    read_policy: Callable[[], tuple[Policy | None, str]],
) -> Callable[[Conditions], tuple[Conditions, str]]:
    """Take up a changed policy, all of it or nothing; the text says which, and why."""

    def take_up(rules: Conditions) -> tuple[Conditions, str]:
        new, text = read_policy()
        if new is None:
            return rules, f"the changed policy is refused, the old one holds: {text}"
        changes = policy_changes(rules.policy, new)
        return replace(rules, policy=new), "; ".join(changes) or "the policy was read again; nothing changed"

    return take_up


def reference() -> str:
    """Markdown tables of every key that either sort of file can have."""
    return table("Policy", Policy) + "\n" + table("Box file", BoxFile)


def read_text(path: Path, sort: str = "policy or box file") -> str:
    """The text of a file of the `sort`. Raises ConfigError if it can't be read."""
    remedy = f"name a {sort} that this user may read"
    try:
        size = path.stat().st_size
        if size > _MOST_BYTES:
            raise ConfigError(f"{path}: is {size} bytes long, which no {sort} is", remedy)
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        raise ConfigError(f"{path}: {(error.strerror or str(error)).lower()}", remedy) from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise ConfigError(f"{path}:{line}: is not UTF-8 text", "save the file as UTF-8") from error


def _read(path: Path, out: TextIO) -> Document | None:
    """The document in a file. None: it can't be read, and that is printed."""
    try:
        return read(read_text(path), str(path))
    except ConfigError as error:
        print(error.what, f"to do: {error.remedy}", sep="\n  ", file=out)
        return None


def _result(document: Document, parse: Callable[[Document], Parsed[T]], out: TextIO) -> T | None:
    """Parse and print what is to be said. None: there were problems."""
    try:
        parsed = parse(document)
    except ConfigError as error:
        print(error.what, file=out)
        return None
    for warning in parsed.warnings:
        print(f"{warning} (a warning)", file=out)
    sort = sort_of(document.data)
    said = f"a {sort} file without problems" if document.data else "an empty policy: the built-in one holds"
    print(f"{document.file}: {said}", file=out)
    return parsed.value
