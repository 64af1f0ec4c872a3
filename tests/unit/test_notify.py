"""The service-notification protocol, against a real socket (sd_notify(3) is the source)."""

from __future__ import annotations

import os
import socket

import pytest

from dooryard.service.systemd import Notifier


@pytest.fixture
def listening(tmp_path):
    path = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(str(path))
        heard.settimeout(1)
        yield str(path), heard


def test_ready_status_and_stopping(listening):
    path, heard = listening
    notifier = Notifier({"NOTIFY_SOCKET": path})
    notifier.ready("watching")
    notifier.status("3 visits")
    notifier.stopping()
    assert [heard.recv(999) for _ in range(3)] == [
        b"READY=1\nSTATUS=watching",
        b"STATUS=3 visits",
        b"STOPPING=1",
    ]


def test_an_abstract_address_is_understood():
    name = f"dooryard-notify-{os.getpid()}"  # another run may go on beside this one
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(f"\0{name}")
        heard.settimeout(1)
        Notifier({"NOTIFY_SOCKET": f"@{name}"}).ready("x")
        assert heard.recv(99).startswith(b"READY=1")


def test_the_watchdog_is_patted_four_times_a_period(listening):
    path, heard = listening
    notifier = Notifier({"NOTIFY_SOCKET": path, "WATCHDOG_USEC": "20000000"})
    assert notifier.watchdog_s == 20
    for tenth in range(100):
        notifier.alive(1000 + tenth / 10)
    heard.setblocking(False)
    pats = 0
    while True:
        try:
            assert heard.recv(99) == b"WATCHDOG=1"
        except BlockingIOError:
            break
        pats += 1
    assert pats == 2  # 10 s at one each 5 s


def test_more_time_can_be_asked_for(listening):
    """WATCHDOG_USEC and EXTEND_TIMEOUT_USEC are those of sd_notify(3), from memory."""
    path, heard = listening
    Notifier({"NOTIFY_SOCKET": path}).allow(90)
    assert heard.recv(999) == b"WATCHDOG_USEC=90000000\nWATCHDOG=1\nEXTEND_TIMEOUT_USEC=90000000"


def test_a_manager_that_does_not_listen_holds_up_nothing(tmp_path):
    gone = Notifier({"NOTIFY_SOCKET": str(tmp_path / "gone")})
    gone.status("nobody hears this")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(tmp_path / "deaf"))
        full = Notifier({"NOTIFY_SOCKET": str(tmp_path / "deaf")})
        for _ in range(600):
            full.status("x" * 1000)
            if full.dropped:
                break
        assert full.dropped


def test_without_a_service_manager_nothing_happens():
    notifier = Notifier({})
    notifier.ready("x")
    notifier.alive(1.0)
    assert notifier.watchdog_s is None
