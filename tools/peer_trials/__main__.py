"""The command line of the trials and their table: see tools/try_peers."""

from __future__ import annotations

import argparse
import logging
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager

from peer_trials import garden, mail_cases, outbox_cases, publish_cases, web_cases
from peer_trials.case import Case, NotTriedError, Outcome, Place, judged
from peer_trials.nginx import nginx
from peer_trials.postfix import postfix

WIDTHS = (8, 38, 48, 44)  # characters: server, case, outcome, remedy


def tried(
    server: str,
    start: Callable[[], AbstractContextManager[Place]],
    cases: Sequence[Case[Place]],
) -> Iterator[Outcome]:
    """Each case at a server that is started for them."""
    try:
        with start() as place:
            for case in cases:
                yield judged(server, case, place)
    except NotTriedError as reason:
        for case in cases:
            yield Outcome(server, case.name, not_tried=str(reason))


def trials() -> dict[str, Callable[[], Iterator[Outcome]]]:
    """What can be asked for by name."""
    return {
        "mail": lambda: tried("mail", postfix, mail_cases.CASES),
        "outbox": lambda: tried("outbox", postfix, outbox_cases.CASES),
        "web": lambda: tried("web", nginx, web_cases.CASES),
        "publish": lambda: tried("publish", garden.hosts, publish_cases.CASES),
    }


def row(outcome: Outcome) -> str:
    """The lines of one case; what is not as stated stands under it."""
    said, remedy = outcome.said, outcome.remedy
    if outcome.not_tried:
        said = f"NOT tried: {outcome.not_tried}"
    cells = zip((outcome.server, outcome.case, said, remedy), WIDTHS, strict=True)
    columns = [textwrap.wrap(" ".join(text.split()), width) or [""] for text, width in cells]
    height = max(len(column) for column in columns)
    padded = [column + [""] * (height - len(column)) for column in columns]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(line, WIDTHS, strict=True)).rstrip()
        for line in zip(*padded, strict=True)
    ]
    return "\n".join(lines + ([f"  NOT AS STATED: {outcome.problem}"] if outcome.problem else []))


def closing_line(outcomes: Sequence[Outcome]) -> str:
    """How many held."""
    missed = sum(outcome.not_tried is not None for outcome in outcomes)
    wrong = sum(outcome.problem is not None for outcome in outcomes)
    held = len(outcomes) - missed - wrong
    return f"{len(outcomes)} cases: {held} as stated, {wrong} not as stated, {missed} not tried"


def main() -> int:
    """Returns 1 where a case is not as stated, or none could be tried."""
    known = trials()
    parser = argparse.ArgumentParser(prog="tools/try_peers", description="The sinks against real servers.")
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=f"some of: {', '.join(known)} (default: all)"
    )
    asked = parser.parse_args()
    if strange := set(asked.names) - known.keys():
        parser.error(f"there is no {min(strange)!r}; choose of: {', '.join(known)}")
    logging.disable(logging.CRITICAL)  # what is said of each trouble stands in the table
    print(row(Outcome("at", "case", "outcome", "remedy that is shown")))
    outcomes = []
    for name, run in known.items():
        for outcome in run() if not asked.names or name in asked.names else ():
            print(row(outcome), flush=True)
            outcomes.append(outcome)
    print(closing_line(outcomes))
    return int(any(each.problem for each in outcomes) or all(each.not_tried for each in outcomes))


if __name__ == "__main__":
    sys.exit(main())
