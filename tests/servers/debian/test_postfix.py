"""The e-mail sink and the outbox at a real Postfix; the cases are those of `tools/try_peers`."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from peer_trials import mail_cases, outbox_cases
from peer_trials.case import Case
from peer_trials.postfix import Postfix, postfix
from servers.debian.trials import hold, running

pytestmark = pytest.mark.process
CASES = [*mail_cases.CASES, *outbox_cases.CASES]


@pytest.fixture(scope="module")
def place() -> Iterator[Postfix]:
    yield from running(postfix)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_at_postfix(place: Postfix, case: Case[Postfix]) -> None:
    hold("mail", case, place)
