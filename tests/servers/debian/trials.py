"""How the tests run what `tools/try_peers` runs: the same cases, and what is missing is said."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from typing import Any

import pytest

from peer_trials.case import Case, NotTriedError, judged


def running(start: Callable[[], AbstractContextManager[Any]]) -> Iterator[Any]:
    """The servers that `start` starts, until the tests of a file are over."""
    try:
        servers = start()
        place = servers.__enter__()
    except NotTriedError as reason:
        pytest.skip(f"NOT tried: {reason}")
    try:
        yield place
    finally:
        servers.__exit__(None, None, None)


def hold(server: str, case: Case[Any], place: Any) -> None:
    """The outcome and the remedy are as stated."""
    outcome = judged(server, case, place)
    if outcome.not_tried:
        pytest.skip(f"NOT tried: {outcome.not_tried}")
    assert outcome.problem is None, f"{outcome.said}; to do: {outcome.remedy}"
