"""What all tests share: whether they run on a board."""

from __future__ import annotations

import os

import pytest
from hypothesis import settings

from dooryard.classify import runtime

runtime.silence()  # in this process and in all that the tests start, whatever they import first

# As the command itself does: small sums gain nothing by more threads, and pytest runs on all cores anyway.
os.environ.setdefault("OMP_NUM_THREADS", "1")

# The laws are tried on other examples each time, or on the same where a failure must be repeatable.
settings.register_profile("the same each time", derandomize=True)
if os.environ.get("DOORYARD_SAME_EXAMPLES") == "1":
    settings.load_profile("the same each time")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--hardware",
        action="store_true",
        default=os.environ.get("DOORYARD_HARDWARE") == "1",
        help="put the board's own camera, sensors and pins to the contract suites as well",
    )


@pytest.fixture(scope="session")
def on_a_board(request: pytest.FixtureRequest) -> bool:
    """Whether `--hardware` was given (or DOORYARD_HARDWARE=1): there is a board to try."""
    return bool(request.config.getoption("--hardware"))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Without `--hardware` one case a file is left of those for a board: it says that they are not tried."""
    if config.getoption("--hardware"):
        return
    said: set[str] = set()
    kept: list[pytest.Item] = []
    left_out: list[pytest.Item] = []
    for item in items:
        file = item.nodeid.partition("::")[0]
        again = item.get_closest_marker("board") is not None and file in said
        if item.get_closest_marker("board") is not None:
            said.add(file)
        (left_out if again else kept).append(item)
    items[:] = kept
    config.hook.pytest_deselected(items=left_out)
