"""The process that builds: never waited for, one at a time, ended when it takes too long."""

from __future__ import annotations

import os
import sys
from contextlib import closing
from pathlib import Path

import pytest

from dooryard.core.clock import FakeClock
from dooryard.service import journal_process
from dooryard.service.journal_process import Builder, Ended

pytestmark = pytest.mark.process


@pytest.fixture
def clock():
    return FakeClock()


@pytest.fixture
def started(clock):
    made = []

    def start(source, **options):
        one = Builder([sys.executable, "-c", source], clock, **options)
        made.append(one)
        assert one.begin() is None
        return one

    yield start
    for one in made:
        one.stop()
        assert not one.running


def ended(one):
    """Wait for the process itself; what is under test never does."""
    one._process.wait(60)
    return one.poll()


def test_one_that_is_done(started):
    one = started("pass")
    assert one.running
    assert ended(one) == Ended()
    assert not one.running
    assert one.poll() is None


def test_poll_does_not_wait_and_there_is_one_at_a_time(started, tmp_path):
    os.mkfifo(tmp_path / "hold")
    one = started(f"open({str(tmp_path / 'hold')!r}).read()")
    process = one._process
    assert one.poll() is None
    assert one.begin() is None  # goes on with the one that runs
    assert one._process is process
    with closing(os.fdopen(os.open(tmp_path / "hold", os.O_WRONLY), "w")):
        pass
    assert ended(one) == Ended()


def test_it_has_the_lowest_priority_a_bound_on_memory_and_no_secret(started, monkeypatch, tmp_path):
    monkeypatch.setenv("PHONE_TOKEN", "a wren's secret")
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", "/somewhere")
    os.mkfifo(tmp_path / "go")
    source = (
        f"open({str(tmp_path / 'go')!r}).read(); import os, resource; "
        f"open({str(tmp_path / 'said')!r}, 'w').write(repr((os.getpriority(os.PRIO_PROCESS, 0), "
        "resource.getrlimit(resource.RLIMIT_DATA)[0], sorted(os.environ))))"
    )
    one = started(source)
    with closing(os.fdopen(os.open(tmp_path / "go", os.O_WRONLY), "w")):
        pass
    assert ended(one) == Ended()
    said = (tmp_path / "said").read_text()
    assert said.startswith(f"(19, {journal_process._MOST_DATA_BYTES}, ")
    assert "PHONE_TOKEN" not in said
    assert "CREDENTIALS" not in said


def test_a_failure_is_told_in_the_words_of_its_last_line_but_the_remedy(started):
    source = (
        "import sys; print('no --policy given: times are in UTC', file=sys.stderr);"
        "print('dooryard: the journal in x cannot be written: no room', file=sys.stderr);"
        "print('  to do: make room', file=sys.stderr);"
        "sys.exit(6)"
    )
    assert ended(started(source)) == Ended("the journal in x cannot be written: no room")
    assert ended(started("import sys; sys.exit(5)")) == Ended("the build ended with 5")
    assert ended(started("import os; os.kill(os.getpid(), 9)")) == Ended("the build was ended by signal 9")


def test_another_builder_at_the_same_time_is_no_failure(started):
    one = started("import sys; print('dooryard: another process builds', file=sys.stderr); sys.exit(8)")
    assert ended(one) == Ended("another process builds", busy=True)


@pytest.mark.parametrize("deaf", [False, True])
def test_one_that_takes_too_long_is_ended_with_all_it_started(started, clock, tmp_path, deaf):
    os.mkfifo(tmp_path / "never")
    os.mkfifo(tmp_path / "ready")
    source = (
        "import signal, subprocess; "
        + ("signal.signal(signal.SIGTERM, signal.SIG_IGN); " if deaf else "")
        + f"open({str(tmp_path / 'ready')!r}, 'w').close(); open({str(tmp_path / 'never')!r}).read()"
    )
    one = started(source, deadline_s=60)
    Path(tmp_path / "ready").read_text()  # until it has come so far
    clock.advance(61)
    assert one.poll() is None
    if deaf:
        clock.advance(6)
        assert one.poll() is None
    assert ended(one) == Ended("the build took longer than 60 s and was ended")


def test_one_that_cannot_be_started_says_so(clock):
    one = Builder(["/nowhere/python"], clock)
    assert one.begin() == Ended("the build could not be started: No such file or directory")
    assert not one.running
    assert one.poll() is None


def test_stop_ends_what_runs(started, tmp_path):
    os.mkfifo(tmp_path / "never")
    one = started(f"open({str(tmp_path / 'never')!r}).read()")
    pid = one._process.pid
    one.stop()
    one.stop()
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
