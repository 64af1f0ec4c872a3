"""Doing without the service for a while: a systemd that answers as told, and the kernel's own lock."""

from __future__ import annotations

import pytest

from dooryard.aim.service import holder_of, run_command, service_runs, without_service
from dooryard.core.errors import AlreadyRunningError
from dooryard.outbox.folder import FolderLock


class Systemd:
    """Knows one unit; `refuses` names what it will not do."""

    def __init__(self, state="active", refuses=()):
        self.state, self.refuses, self.orders = state, refuses, []

    def __call__(self, command):
        what = command[1]
        if what == "is-active":
            return (0 if self.state == "active" else 3), f"{self.state}\n"
        self.orders.append(what)
        if what in self.refuses:
            return 1, "Access denied"
        self.state = {"stop": "inactive", "start": "active"}[what]
        return 0, ""


def test_a_running_service_is_left_alone_and_the_commands_are_told(tmp_path):
    systemd = Systemd()
    with (
        pytest.raises(AlreadyRunningError, match="the service is running") as caught,
        without_service(tmp_path, systemd, print, stop_it=False),
    ):
        pass
    assert "--stop-service" in caught.value.remedy
    assert "sudo systemctl stop dooryard" in caught.value.remedy
    assert systemd.orders == []


def test_it_is_stopped_and_started_again(tmp_path):
    systemd, told = Systemd(), []
    with without_service(tmp_path, systemd, told.append, stop_it=True):
        assert systemd.state == "inactive"
    assert systemd.orders == ["stop", "start"]
    assert told == ["stopping the service; it is started again at the end", "the service watches again"]


@pytest.mark.parametrize("how", [KeyboardInterrupt, ValueError, SystemExit])
def test_it_is_started_again_whatever_the_end(tmp_path, how):
    systemd = Systemd()
    with pytest.raises(how), without_service(tmp_path, systemd, print, stop_it=True):
        raise how
    assert systemd.orders == ["stop", "start"]


@pytest.mark.parametrize("state", ["inactive", "failed", "unknown", ""])
def test_one_that_does_not_run_is_not_started(tmp_path, state):
    systemd = Systemd(state)
    with without_service(tmp_path, systemd, print, stop_it=True):
        pass
    assert systemd.orders == []


def test_one_that_will_not_stop(tmp_path):
    systemd = Systemd(refuses={"stop"})
    with (
        pytest.raises(AlreadyRunningError, match="could not be stopped: Access denied"),
        without_service(tmp_path, systemd, print, stop_it=True),
    ):
        pass
    assert systemd.orders == ["stop"]


def test_one_that_hangs_while_it_stops_is_started_after_that(tmp_path):
    class Hangs(Systemd):
        def __call__(self, command):
            if command[1] == "stop":
                self.orders.append("stop")
                self.state = "deactivating"
                return 127, "timed out"
            return super().__call__(command)

    systemd = Hangs()
    with pytest.raises(AlreadyRunningError), without_service(tmp_path, systemd, print, stop_it=True):
        pass
    assert systemd.orders == ["stop", "start"]


def test_one_that_does_not_come_back_is_said_aloud(tmp_path):
    systemd = Systemd(refuses={"start"})
    with (
        pytest.raises(AlreadyRunningError, match="THE SERVICE DOES NOT WATCH"),
        without_service(tmp_path, systemd, print, stop_it=True),
    ):
        pass


def test_another_program_that_holds_the_state_folder(tmp_path):
    lock = FolderLock(tmp_path)
    assert holder_of(tmp_path).startswith("process ")
    with (
        pytest.raises(AlreadyRunningError, match="works with"),
        without_service(tmp_path, Systemd("inactive"), print, stop_it=True),
    ):
        pass
    lock.release()
    assert holder_of(tmp_path) is None


def test_asking_who_holds_it_makes_no_file(tmp_path):
    assert holder_of(tmp_path) is None
    assert holder_of(tmp_path / "not there") is None
    assert list(tmp_path.iterdir()) == []


def test_without_systemd_no_service_runs():
    assert not service_runs(lambda command: run_command(["no-such-program-here", *command]))
    assert run_command(["false"])[0] == 1
