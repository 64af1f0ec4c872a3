"""A simulated day of the outbox, in small: `tools/bench_outbox.py` is the same at its full size."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import pytest

import bench_outbox

VISITS = 60


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[bench_outbox.Days]:
    folder: Path = tmp_path_factory.mktemp("day") / "state"
    arguments = argparse.Namespace(visits=VISITS, gate_kb=50, place_kb=100, keep_mb=2)
    before = bench_outbox.written_bytes()
    day = bench_outbox.Days(folder, arguments)
    day.run(0)
    day.written = bench_outbox.written_bytes() - before
    yield day
    day.store.close()


def test_everything_is_told_by_itself_or_with_others(day: bench_outbox.Days) -> None:
    for sink, receiver in zip(bench_outbox.SINKS, day.receivers, strict=True):
        counts = day.store.counts()[sink]
        assert set(counts) == {"sent", "gathered"}
        summaries = receiver.taken - (VISITS - counts["gathered"])
        assert summaries == 1  # of three hours without a network
        # Those of the last hour of the outage were not late yet.
        assert VISITS * 1.5 / 16 < counts["gathered"] < VISITS * 2.5 / 16


def test_the_folder_stays_within_its_bound(day: bench_outbox.Days) -> None:
    # The bound is for database and pictures at the time of upkeep; on top come the log file (16 MiB), its
    # index, and what an hour brings.
    assert max(day.folder_bytes) < 2_000_000 + 16 * 2**20 + 200_000 + 1_000_000


def test_little_is_written_to_the_card(day: bench_outbox.Days) -> None:
    if day.written == 0:
        pytest.skip("the temporary folder lies in memory: nothing was written to a disk")
    # 90 pictures of 120 kB at most, 48 saves of 50 kB, 8 of 100 kB, 1,440 small saves, and the rows.
    assert day.written < 40_000_000
