"""The trial's command line and its table: see tools/try_unit."""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from unit_trial import frames, hardship, walk
from unit_trial.board import SUITES, Board, NotTriedError, system_tar
from unit_trial.trial import FailedError, Trial

NOT_TRIED = 77  # the usual code for "skipped", as automake has it

STEPS: tuple[tuple[str, Callable[[Trial], str]], ...] = (
    ("packages for its Python", walk.wheels),
    ("boot", walk.boots),
    ("install", walk.installs),
    ("start with the sample files", walk.sample_start),
    ("ready", walk.gets_ready),
    ("alert, signed by a credential", walk.tells),
    ("sandbox", walk.is_locked_up),
    ("reload", walk.reloads),
    ("restart and stop", walk.restarts),
    ("kill -9", hardship.is_killed),
    ("hangs (SIGSTOP)", hardship.hangs),
    ("slow start", hardship.starts_slowly),
    ("no network", walk.has_no_network),
    ("connections", walk.calls_nobody),
    ("crashes after each start", hardship.crashes_without_end),
    ("two hours without a break", hardship.settles),
    ("halt", walk.halts),
    ("uninstall", walk.uninstalls),
)


def main() -> int:
    """Returns the exit status."""
    parser = argparse.ArgumentParser(
        prog="tools/try_unit", description="The service under a real service manager."
    )
    parser.add_argument("--suite", choices=sorted(SUITES), action="append", help="default: each of them")
    parser.add_argument("--quick", action="store_true", help="fewer rounds of crashes, and fewer in each")
    parser.add_argument("--fetch", action="store_true", help="only fetch the systems, for a later try")
    asked = parser.parse_args()
    if os.geteuid() != 0:
        print("NOT TRIED: only root can boot a system in a container", file=sys.stderr)
        return NOT_TRIED
    if asked.fetch:
        return _fetch(asked.suite or sorted(SUITES))
    folder = Path(tempfile.mkdtemp(prefix="dooryard-unit.", dir="/var/tmp"))  # on a disk, not in memory
    try:
        frames.paint(folder / "frames")
        suites = asked.suite or sorted(SUITES)
        statuses = [_suite(suite, folder / suite, quick=asked.quick) for suite in suites]
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return 1 if 1 in statuses else max(statuses)


def _fetch(suites: Sequence[str]) -> int:
    try:
        for suite in suites:
            system_tar(suite)
    except NotTriedError as error:
        print(f"NOT FETCHED: {error}", file=sys.stderr)
        return NOT_TRIED
    return 0


def _suite(suite: str, folder: Path, *, quick: bool) -> int:
    folder.mkdir()
    board = Board(suite, folder)
    trial = Trial(board, folder, quick)
    rows: list[tuple[str, str, str]] = []
    status = 0
    print(f"{suite}", flush=True)
    try:
        board.unpack()
        for name, step in STEPS:
            begun_s = time.monotonic()
            try:
                outcome, said = "ok", step(trial)
            except FailedError as error:
                outcome, said, status = "FAILED", str(error), 1
            rows.append((name, outcome, said))
            print(f"  {outcome:<6}  {name:<30}  {said}  ({time.monotonic() - begun_s:.0f} s)", flush=True)
            if outcome == "FAILED":
                print(board.condition(), end="", flush=True)
                if (board.exit_status or 0) < 0:
                    raise NotTriedError(f"the container was ended by signal {-(board.exit_status or 0)}")  # noqa: TRY301
                if name in ("boot", "install", "ready") or not board.on:
                    break
    except NotTriedError as error:
        print(f"  NOT TRIED on {suite}: {error}", flush=True)
        status = status or NOT_TRIED
    finally:
        for which in list(trial.outside):
            trial.leave(which)
        board.off()
    done = sum(outcome == "ok" for _, outcome, _ in rows)
    print(f"  {suite}: {done} of {len(STEPS)} steps as they should be", flush=True)
    return status


if __name__ == "__main__":
    sys.exit(main())
