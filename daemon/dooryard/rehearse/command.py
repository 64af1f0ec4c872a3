"""`dooryard rehearse`: from what was asked to what is shown."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from dooryard.box.file import BoxFile, parse_box, telling
from dooryard.core.errors import EXIT_OK, ConfigError
from dooryard.core.text_files import read_text
from dooryard.history.annotations import verdicts
from dooryard.policy.changes import policy_changes
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from dooryard.rehearse import jobs, machine, table
from dooryard.rehearse.differ import differences
from dooryard.rehearse.marked import MarkedTimes, marked_times, score_by_marks
from dooryard.rehearse.page import page
from dooryard.rehearse.records import Rehearsal
from dooryard.rehearse.sources import find, sinks_of
from dooryard.rehearse.truth import Score, TrueVisit, parse_truth, score
from dooryard.service import build
from dooryard.service.policy_file import gauges_of

BUILT_IN = "the built-in policy"
REPORT = "rehearsal.html"


@dataclass(frozen=True, slots=True)
class RehearseOptions:
    """What was asked for."""

    recordings: Sequence[str]
    policy: Path | None = None
    against: Path | None = None
    box: Path | None = None
    truth: Path | None = None
    marks: bool = False  # those in the box's state folder are the truth
    report: Path | None = None  # a folder, or a file that ends in .html
    as_json: bool = False
    processes: int = 0  # 0: as many as the machine has


def rehearse(options: RehearseOptions, out: TextIO, progress: TextIO) -> int:
    """Rehearse, show it on `out`, and return the exit code. Raises a `DooryardError` for bad input.

    With a truth file there must be one recording, or the file's visits count for each in its own time.
    """
    box, base = BoxFile(), Path.cwd()
    if options.box is not None:
        box, base = parse_box(read_text(options.box), str(options.box)).value, options.box.resolve().parent
    policies = _policies(options, box, base, progress)
    truth = _truth(options, box, base, policies[0][1])
    done = _done(options, box, base, policies, progress)
    scores = [_score(truth, each[0]) for each in done]
    if options.as_json:
        print(json.dumps(_data(done, scores), ensure_ascii=False, indent=2), file=out)
    else:
        print("\n".join(_texts(done, scores)), end="", file=out)
    if options.report is not None:
        path = _write(options.report, page([each[0] for each in done], scores, [each[1:] for each in done]))
        print(f"report: {path}", file=progress if options.as_json else out)
    return EXIT_OK


def _policies(options: RehearseOptions, box: BoxFile, base: Path, warn: TextIO) -> list[tuple[str, Policy]]:
    visitors, group_of = build.visitors(box, base)
    sinks = telling(box) or None
    sensors = None if options.box is None else gauges_of(box)

    def read(file: Path) -> tuple[str, Policy]:
        text, name = read_text(file), str(file)
        parsed = parse_policy(text, name, sinks=sinks, visitors=visitors, group_of=group_of, sensors=sensors)
        for warning in parsed.warnings:
            print(f"{warning} (a warning)", file=warn)
        return name, parsed.value

    first = (BUILT_IN, Policy()) if options.policy is None else read(options.policy)
    return [first] if options.against is None else [first, read(options.against)]


def _truth(
    options: RehearseOptions, box: BoxFile, base: Path, policy: Policy
) -> tuple[TrueVisit, ...] | MarkedTimes | None:
    """What is known of who really came; None: nothing."""
    if options.marks:
        if options.box is None or options.truth is not None:
            raise ConfigError(
                "marks are those of a box, and take the place of a truth file",
                "give --box with --marks, and leave out --truth",
            )
        return marked_times(verdicts(base / box.state_folder))
    if options.truth is None:
        return None
    return parse_truth(read_text(options.truth, "truth file"), str(options.truth), policy.place.zone)


def _score(truth: tuple[TrueVisit, ...] | MarkedTimes | None, rehearsal: Rehearsal) -> Score | None:
    if isinstance(truth, MarkedTimes):
        return score_by_marks(truth, rehearsal)
    return None if truth is None else score(truth, rehearsal)


def _done(
    options: RehearseOptions,
    box: BoxFile,
    base: Path,
    policies: Sequence[tuple[str, Policy]],
    progress: TextIO,
) -> list[tuple[Rehearsal, ...]]:
    zone = policies[0][1].place.time_zone
    sources = [find(name, box, base, time_zone=zone) for name in options.recordings]
    work = [
        jobs.Job(
            number=number,
            source=source,
            policies=tuple(policies),
            sinks=sinks_of(source.box, [policy for _file, policy in policies]),
            pictures=options.report is not None,
        )
        for number, source in enumerate(sources)
    ]
    processes = options.processes or len(os.sched_getaffinity(0))
    return jobs.do_all(work, processes, jobs.Progress(progress, len(work)))


def _texts(done: Sequence[tuple[Rehearsal, ...]], scores: Sequence[Score | None]) -> list[str]:
    texts = []
    for (first, *others), scored in zip(done, scores, strict=True):
        if others:
            changes = policy_changes(first.policy, others[0].policy)
            texts.append(table.difference_table(first, others[0], changes, differences(first, others[0])))
        else:
            texts.append(table.told_table(first))
        if scored:
            texts.append(table.score_table(first, scored))
    return texts


def _data(done: Sequence[tuple[Rehearsal, ...]], scores: Sequence[Score | None]) -> Mapping[str, Any]:
    recordings = []
    for (first, *others), scored in zip(done, scores, strict=True):
        data = machine.rehearsal_data(first, scored)
        for other in others:
            data["against"] = machine.rehearsal_data(other)
            data["differences"] = machine.difference_data(
                differences(first, other), policy_changes(first.policy, other.policy)
            )
        recordings.append(data)
    return {"format": machine.FORMAT, "recordings": recordings}


def _write(target: Path, text: str) -> Path:
    path = target if target.suffix == ".html" else target / REPORT
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise ConfigError(
            f"the report cannot be written to {path}: {error.strerror or error}",
            "name a folder that you may write to",
        ) from error
    return path
