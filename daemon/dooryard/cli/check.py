"""`dooryard check`: policy and box files, every problem and warning at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TextIO, TypeVar

from dooryard.box import checks
from dooryard.box.camera import FolderTable
from dooryard.box.file import BoxFile, box_in, telling
from dooryard.config.file_kind import sort_of
from dooryard.config.toml_document import Document, Parsed, read
from dooryard.config.toml_lines import Path as Path_
from dooryard.core.clock import FakeClock
from dooryard.core.errors import EXIT_OK, ConfigError, DooryardError
from dooryard.core.text_files import read_text
from dooryard.outbox.own import claim
from dooryard.policy.meaning import changed_meaning
from dooryard.policy.parse import policy_in
from dooryard.policy.reference import listed
from dooryard.policy.schema import Policy
from dooryard.sensors.kinds import Machine
from dooryard.service.policy_file import gauges_of

T = TypeVar("T")
VisitorsOf = Callable[[BoxFile, Path], tuple[frozenset[str], dict[str, str]]]


def check(
    paths: Sequence[Path],
    out: TextIO,
    *,
    visitors_of: VisitorsOf | None = None,
    strict: bool = False,
    changed: bool = False,
) -> int:
    """Check each file, whichever sort it is, and print what is found to `out`; `strict`: warnings count.

    Where lines of a policy meant something else in earlier versions, that is said; with `changed`, which
    lines those are and how to keep what they meant.

    When box files are among them, the policies' sinks, sensors and visitors must be theirs; else the
    visitors are those of the built-in model. `visitors_of` tells whom a box knows; None: not checked.
    Returns 0, or the exit code of `ConfigError`.
    """
    say = _Printed(out, changed=changed)
    documents = [document for path in paths if (document := _read(path, out)) is not None]
    boxes = [_result(document, _box_in, say) for document in documents if sort_of(document.data) == "box"]
    sinks = sensors = None
    sound_boxes = [box for box in boxes if box is not None]
    # Where a box file is wrong or none is given, nobody knows what sinks and sensors there are.
    if boxes and len(sound_boxes) == len(boxes):
        sinks = frozenset(name for box in sound_boxes for name in telling(box))
        sensors = dict(item for box in sound_boxes for item in gauges_of(box).items())

    visitors, group_of = _visitors(boxes, documents, visitors_of, say)

    def policy(document: Document) -> Parsed[Policy]:
        return policy_in(document, sinks=sinks, visitors=visitors, group_of=group_of, sensors=sensors)

    policies = [
        _result(document, policy, say, group_of)
        for document in documents
        if sort_of(document.data) == "policy"
    ]
    sound = len(documents) == len(paths) and all([*boxes, *policies]) and not (strict and say.warnings)
    return EXIT_OK if sound else ConfigError.exit_code


@dataclass
class _Printed:
    """Where it is printed, and how many warnings there were."""

    out: TextIO
    warnings: int = 0
    changed: bool = False  # whether each line whose meaning changed is told

    def warn(self, texts: Sequence[str], kind: str) -> None:
        self.warnings += len(texts)
        for text in texts:
            print(f"{text} ({kind})", file=self.out)

    def tell_changes(self, file: str, texts: Sequence[str]) -> None:
        """Lines whose meaning changed: each, or that there are some."""
        if self.changed:
            for text in texts:
                print(f"{text} (changed)", file=self.out)
        elif texts:
            count = "1 line means" if len(texts) == 1 else f"{len(texts)} lines mean"
            print(
                f"{file}: {count} something else than before: dooryard check --changed {file}", file=self.out
            )


def _visitors(
    boxes: Sequence[BoxFile | None],
    documents: Sequence[Document],
    visitors_of: VisitorsOf | None,
    say: _Printed,
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
            say.warn([f"{file}: names of visitors are not checked: {error.what}"], "a warning")
            return None, {}
        names, group_of = names | more, group_of | groups
    return names, group_of


def _box_in(document: Document) -> Parsed[BoxFile]:
    """The box file, with what only the making of its parts shows: `run` makes them by the same functions."""
    parsed = box_in(document)
    box, base = parsed.value, Path(document.file).resolve().parent
    for path, make in _parts(box, base):
        try:
            make()
        except ValueError as error:
            document.problem(path, str(error))
        except DooryardError as error:
            document.problem(path, f"{error.what}; {error.remedy}")
    document.raise_problems()
    return parsed


def _parts(box: BoxFile, base: Path) -> Iterator[tuple[Path_, Callable[[], object]]]:
    """Parts that can be made without the board, and the key that each belongs to."""
    from dooryard.service import build  # with what it needs; a policy is checked without

    machine = Machine(state_folder=base / box.state_folder)
    for i, sensor in enumerate(box.sensor):
        yield ("sensor", i), partial(sensor.built, machine)
    yield ("camera",), partial(build.camera, box, base, FakeClock())
    if isinstance(box.camera, FolderTable):
        yield ("camera", "folder"), partial(_folder, base / box.camera.folder)
    yield ("gate",), partial(build.conditions, box, Policy(), clock_set=True)
    yield ("state_folder",), partial(claim, base / box.state_folder)


def _folder(path: Path) -> None:
    if not path.is_dir():
        raise ValueError(f"there is no folder {path}; name one with a recording's frames")


def reference() -> dict[str, str]:
    """Markdown lists of every key that each sort of file can have."""
    return {"policy": listed(Policy), "box": listed(BoxFile)}


def _read(path: Path, out: TextIO) -> Document | None:
    """The document in a file. None: it can't be read, and that is printed."""
    try:
        return read(read_text(path), str(path))
    except ConfigError as error:
        print(error.what, f"to do: {error.remedy}", sep="\n  ", file=out)
        return None


def _to_fill_in(value: object) -> Iterator[tuple[Path_, str]]:
    if isinstance(value, BoxFile):
        from dooryard.setup.target import UNITS, handed_over

        yield from checks.to_fill_in(value, handed_over(UNITS))


def _result(
    document: Document,
    parse: Callable[[Document], Parsed[T]],
    say: _Printed,
    group_of: Mapping[str, str] | None = None,
) -> T | None:
    """Parse and print what is to be said. None: there were problems."""
    try:
        parsed = parse(document)
    except ConfigError as error:
        print(error.what, file=say.out)
        return None
    say.warn(parsed.warnings, "a warning")
    left = Document(document.file, document.data, document.lines)
    for path, text in _to_fill_in(parsed.value):
        left.warning(path, text)
    say.warn(left.told(), "to be filled in")
    sort = sort_of(document.data)
    said = f"a {sort} file without problems" if document.data else "an empty policy: the built-in one holds"
    count, empty = len(parsed.warnings), len(left.told())
    warned = f", {count} warning{'' if count == 1 else 's'}" if count else ""
    warned += f", {empty} to be filled in" if empty else ""
    print(f"{document.file}: {said}{warned}", file=say.out)
    if isinstance(parsed.value, Policy):
        say.tell_changes(document.file, changed_meaning(document, parsed.value, group_of or {}))
    return parsed.value
