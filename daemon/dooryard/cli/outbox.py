"""`dooryard outbox`: what was not told yet or never will be; try it again, or drop it.

It works beside a running service: the database allows one writer at a time, and the service looks again
within a minute.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import asdict
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import TextIO

from dooryard.config.toml_document import quoted
from dooryard.core.errors import EXIT_OK, ConfigError
from dooryard.outbox import queue, soundness
from dooryard.outbox.opening import Mode, opened
from dooryard.outbox.problems import store_error
from dooryard.outbox.queue import Listed

ALL = "all"
_SHORTEST_ID = 4  # letters of an id that are enough, if only one alert's begins with them
_WIDEST = {"title": 44, "answer": 44}
_HEAD = ("alert", "sink", "state", "when", "tries", "title", "answer")


def listing(
    folder: Path,
    out: TextIO,
    *,
    sink: str | None = None,
    everything: bool = False,
    as_json: bool = False,
    limit: int = 1000,
    sinks: frozenset[str] | None = None,
    zone: tzinfo = UTC,
) -> int:
    """Print the deliveries that were not told (with `everything`: all), newest last.

    `sinks` are the box's; None: not known. Times are shown in `zone`, and JSON has them in UTC. Raises
    ConfigError for a `sink` that the box does not have, StoreError.
    """
    with _reading(folder) as db:
        _check_sink(db, sink, sinks)
        found = queue.listed(db, sink=sink, everything=everything, limit=limit)
    if as_json:
        json.dump([asdict(each) for each in found], out, ensure_ascii=False, indent=1)
        print(file=out)
    elif not found:
        print("Nothing waits, and nothing was set aside.", file=out)
    else:
        print("\n".join(_table(found, zone)), file=out)
    return EXIT_OK


def retry(
    folder: Path,
    alerts: Sequence[str],
    out: TextIO,
    *,
    sink: str | None = None,
    sinks: frozenset[str] | None = None,
) -> int:
    """Let untold deliveries be tried again from the start, also those refused or given up.

    `alerts` are ids, beginnings of ids, or "all". Raises ConfigError for one that is not found, and for a
    `sink` that is not one of `sinks`; StoreError.
    """
    with _writing(folder) as db:
        _check_sink(db, sink, sinks)
        count = queue.start_over(db, _ids(db, alerts, sink), sink)
    print(
        f"{_deliveries(count)} will be tried again: within a minute, or when the sink's next try is due.",
        file=out,
    )
    return EXIT_OK


def drop(
    folder: Path,
    alerts: Sequence[str],
    out: TextIO,
    ask: Callable[[str], str],
    *,
    sink: str | None = None,
    sure: bool = False,
    sinks: frozenset[str] | None = None,
) -> int:
    """End untold deliveries, after asking; `sure` asks nothing. Their visits stay. Raises as `retry`."""
    with _reading(folder) as db:
        _check_sink(db, sink, sinks)
        ids = _ids(db, alerts, sink)
        untold = [
            each for each in queue.listed(db, sink=sink, everything=False, limit=-1) if each.alert in ids
        ]
    if not untold:
        print("There is nothing to drop.", file=out)
        return EXIT_OK
    question = f"Drop {_deliveries(len(untold))}? What is dropped is never sent. Type yes to do it: "
    if not sure and ask(question).strip().lower() not in {"y", "yes"}:
        print("Nothing was dropped.", file=out)
        return EXIT_OK
    with _writing(folder) as db:
        count = queue.drop(db, ids, sink)
    print(f"{_deliveries(count)} dropped.", file=out)
    return EXIT_OK


def _check_sink(db: sqlite3.Connection, sink: str | None, sinks: frozenset[str] | None) -> None:
    """Raise ConfigError for a sink that the box has not; one that it had may still have deliveries."""
    if sink is None or sinks is None or sink in sinks:
        return
    if db.execute("SELECT 1 FROM deliveries WHERE sink = ? LIMIT 1", (sink,)).fetchone() is None:
        has = ", ".join(sorted(sinks)) or "none"
        raise ConfigError(f"the box has no sink {quoted(sink)}; it has: {has}", "give one that it has")


def _table(found: Sequence[Listed], zone: tzinfo) -> Iterator[str]:
    lines = [_HEAD, *(_cells(each, zone) for each in found)]
    widths = [max(len(line[column]) for line in lines) for column in range(len(_HEAD))]
    for line in lines:
        yield "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()


def _cells(each: Listed, zone: tzinfo) -> tuple[str, ...]:
    local = datetime.fromisoformat(each.wall).astimezone(zone)
    when = f"{local:%Y-%m-%d %H:%M %Z}" if each.clock_set else "clock not set"
    tries = f"{each.attempts} ({each.maybe} maybe arrived)" if each.maybe else str(each.attempts)
    title, answer = (
        _cut(text, _WIDEST[name]) for name, text in (("title", each.title), ("answer", each.answer))
    )
    sink = f"{each.sink} (instead of {each.instead_of})" if each.instead_of else each.sink
    return each.alert, sink, each.state, when, tries, title, answer


def _cut(text: str, width: int) -> str:
    # A title or answer must not move the cursor of whoever lists it.
    shown = "".join(c if c.isprintable() else " " for c in text)
    return shown if len(shown) <= width else shown[: width - 3] + "..."


def _deliveries(count: int) -> str:
    return "1 delivery" if count == 1 else f"{count} deliveries"


def _ids(db: sqlite3.Connection, wanted: Sequence[str], sink: str | None) -> list[str]:
    """The ids of untold alerts that `wanted` names."""
    known = dict.fromkeys(each.alert for each in queue.listed(db, sink=sink, everything=False, limit=-1))
    if list(wanted) == [ALL]:
        return list(known)
    found = []
    for beginning in wanted:
        matches = [each for each in known if each.startswith(beginning)]
        if beginning in matches:
            matches = [beginning]
        if len(beginning) < _SHORTEST_ID or not matches:
            raise ConfigError(
                f"there is no unsent alert {beginning!r}",
                f'give an id that `dooryard outbox` lists, or "{ALL}"',
            )
        if len(matches) > 1:
            raise ConfigError(
                f"{beginning!r} begins several alerts: {', '.join(matches[:5])}", "give more of the id"
            )
        found += matches
    return found


@contextmanager
def _reading(folder: Path) -> Iterator[sqlite3.Connection]:
    with _opened(folder, "reading the outbox", "ro") as db:
        yield db


@contextmanager
def _writing(folder: Path) -> Iterator[sqlite3.Connection]:
    with _opened(folder, "changing the outbox", "rw") as db:
        db.execute("PRAGMA synchronous = FULL")
        with soundness.transaction(db):
            yield db


@contextmanager
def _opened(folder: Path, doing: str, mode: Mode) -> Iterator[sqlite3.Connection]:
    try:
        with closing(opened(folder, doing, mode)) as db:
            yield db
    except sqlite3.Error as error:
        raise store_error(error, doing, folder) from error
