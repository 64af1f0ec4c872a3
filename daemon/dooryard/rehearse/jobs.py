"""Recordings rehearsed one after the other or in several processes, with word of how far they are."""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from queue import Empty
from typing import Any, TextIO

from dooryard.camera.base import Camera
from dooryard.classify.base import Classifier
from dooryard.core.records import Frame
from dooryard.policy.schema import Policy
from dooryard.recording.recordings import parts_of
from dooryard.rehearse import answers, recorded
from dooryard.rehearse.recorded import Readings
from dooryard.rehearse.records import Rehearsal
from dooryard.rehearse.replay import replay
from dooryard.rehearse.sources import Source, camera_of, count_frames, folder_of
from dooryard.service import build
from dooryard.teaching.feedback import teach_from_album

OnPart = Callable[[float], None]  # how much of the recording is done, 0..1

_EVERY_S = 0.5
_queue: Any = None  # in a worker: where it says how far it is


@dataclass(frozen=True, slots=True)
class Job:
    """One recording and the policies to try on it."""

    number: int
    source: Source
    policies: tuple[tuple[str, Policy], ...]  # (file, policy)
    sinks: frozenset[str]
    pictures: bool = False


def do(job: Job, on_part: OnPart, classifier: Classifier | None = None) -> tuple[Rehearsal, ...]:
    """Rehearse one recording: one rehearsal for each policy."""
    source = job.source
    _names, group_of = build.visitors_if_known(source.box, source.base)
    asked = classifier or _classifier(job)
    numbers = build.numbers_of(asked)
    rules = [
        replace(
            build.conditions(source.box, policy, clock_set=True, numbers=numbers),
            sinks=job.sinks,
            group_of=group_of,
        )
        for _file, policy in job.policies
    ]
    folder = folder_of(source)
    path = folder / answers.file_name(asked) if folder else None
    known, trouble = answers.load(path) if path else ({}, None)
    remembering = answers.RememberingClassifier(asked, known, pictures=job.pictures)
    told = _Paced(on_part, count_frames(source))
    camera = camera_of(source)
    readings = Readings(recorded.read(parts_of(folder)) if folder else ())
    done = replay(camera, remembering, rules, pictures=job.pictures, readings=readings, on_frame=told)
    notes = [*_notes(camera), *([trouble] if trouble else [])]
    if path and remembering.asked:
        trouble = answers.save(path, remembering.answers)
        notes += [trouble] if trouble else []
    on_part(1.0)
    return tuple(
        replace(each, recording=source.name, policy_file=file, notes=(*each.notes, *notes))
        for each, (file, _policy) in zip(done, job.policies, strict=True)
    )


def _classifier(job: Job) -> Classifier:
    """The box's classifier with what it was taught, for the place of the first policy."""
    source = job.source
    built = build.classifier(source.box, source.base, job.policies[0][1].place)
    teach_from_album(source.base / source.box.state_folder, built)
    return built


def _notes(camera: Camera) -> list[str]:
    """What a folder of frames has to say of itself."""
    notes, passed_over = getattr(camera, "notes", []), getattr(camera, "passed_over", 0)
    if not notes:
        return []
    passed = f"{passed_over} frames passed over; " if passed_over else ""
    return [f"{passed}{notes[0]}" + (f", and {len(notes) - 1} more notes" if len(notes) > 1 else "")]


def do_all(jobs: Sequence[Job], processes: int, progress: Progress) -> list[tuple[Rehearsal, ...]]:
    """Rehearse all, in order of `jobs`. Raises what the first job that fails raised."""
    if len(jobs) == 1 or processes == 1:
        done = [do(job, partial(progress.at, job.number)) for job in jobs]
        progress.end()
        return done
    # A fresh interpreter for each worker: the classifier's threads don't survive a fork.
    context = multiprocessing.get_context("spawn")
    queue = context.Queue()
    workers = min(processes, len(jobs))
    with ProcessPoolExecutor(workers, context, initializer=_begin, initargs=(queue,)) as pool:
        futures: list[Future[tuple[Rehearsal, ...]]] = [pool.submit(_worker, job) for job in jobs]
        while not all(future.done() for future in futures):
            try:
                number, part = queue.get(timeout=_EVERY_S)
            except Empty:
                continue
            progress.at(number, part)
        progress.end()
        return [future.result() for future in futures]


def _begin(queue: Any) -> None:
    global _queue  # noqa: PLW0603  a worker has no other place to keep it
    _queue = queue


def _worker(job: Job) -> tuple[Rehearsal, ...]:
    return do(job, lambda part: _queue.put((job.number, part)))


class _Paced:
    """Says how much is done, twice a second at most."""

    def __init__(self, on_part: OnPart, total: int) -> None:
        self._on_part = on_part
        self._total = total
        self._next_s = time.monotonic() + _EVERY_S

    def __call__(self, frame: Frame) -> None:
        if self._total and time.monotonic() >= self._next_s:
            self._next_s = time.monotonic() + _EVERY_S
            self._on_part(min(1.0, frame.number / self._total))


class Progress:
    """A bar on a terminal, and nothing elsewhere."""

    def __init__(self, out: TextIO, jobs: int) -> None:
        self._out = out if out.isatty() else None
        self._parts = [0.0] * jobs
        self._began_s = time.monotonic()

    def at(self, number: int, part: float) -> None:
        self._parts[number] = part
        if self._out is None:
            return
        whole = sum(self._parts) / len(self._parts)
        bar = "=" * int(whole * 40)
        gone_s = time.monotonic() - self._began_s
        left = f"{gone_s / whole - gone_s:.0f} s left" if whole > 0.02 else ""
        print(f"\r  [{bar:<40}] {whole:4.0%}  {left:<14}", end="", file=self._out, flush=True)

    def end(self) -> None:
        """Clear the bar away."""
        if self._out is not None:
            print(f"\r{'':<64}\r", end="", file=self._out, flush=True)
