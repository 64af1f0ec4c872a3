"""The webhook sink at a real nginx; the cases are those of `tools/try_peers`."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from peer_trials.case import Case
from peer_trials.nginx import Nginx, nginx
from peer_trials.web_cases import CASES
from servers.debian.trials import hold, running

pytestmark = pytest.mark.process


@pytest.fixture(scope="module")
def place() -> Iterator[Nginx]:
    yield from running(nginx)


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_at_nginx(place: Nginx, case: Case[Nginx]) -> None:
    hold("web", case, place)
