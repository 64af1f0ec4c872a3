"""The publish sink at a real OpenSSH, and read by a real nginx; the cases are those of `tools/try_peers`."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from peer_trials.case import Case
from peer_trials.garden import Hosts, hosts
from peer_trials.publish_cases import CASES
from servers.debian.trials import hold, running

pytestmark = pytest.mark.process


@pytest.fixture(scope="module")
def place() -> Iterator[Hosts]:
    yield from running(hosts)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_at_openssh(place: Hosts, case: Case[Hosts]) -> None:
    hold("publish", case, place)
