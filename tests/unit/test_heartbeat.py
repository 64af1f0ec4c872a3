from __future__ import annotations

import logging
import threading
from typing import Any

import pytest

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.core.errors import SinkError
from dooryard.service.heartbeat import Heartbeat
from dooryard.sinks.net import Limits
from servers import web

LOG = logging.getLogger("dooryard.service.heartbeat")
LIMITS = Limits(1.0, 0.2, 2.0)


def heartbeat(url: str, *, well: bool = True, **options: Any) -> Heartbeat:
    fields: dict[str, Any] = {
        "clock": FakeClock(),
        "log": LOG,
        "well": lambda: well,
        "limits": LIMITS,
        "every_s": 60.0,
    }
    return Heartbeat(url, **(fields | options))


@pytest.mark.parametrize("method", ["GET", "POST", "HEAD"])
def test_a_beat_is_one_request_without_a_body(method: str) -> None:
    with web.Peer(web.answers("200 OK", body="" if method == "HEAD" else "fine")) as peer:
        assert heartbeat(peer.url, method=method).beat() == "heard"
        (request,) = peer.requests
    assert request.line.startswith(f"{method} /hooks/token-of-the-path ")
    assert request.body == b""


def test_a_box_that_is_not_well_keeps_silent() -> None:
    with web.Peer(web.answers("200 OK")) as peer:
        assert heartbeat(peer.url, well=False).beat() == "held back, as the box is not well"
        assert peer.requests == []


def test_trouble_is_said_once_and_its_end_too(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    down = web.answers("500 Oh")
    with web.Peer(down, down, web.resets_after_reading, web.answers("204 No Content")) as peer:
        beats = heartbeat(peer.url)
        for _ in range(4):
            beats.beat()
    assert [record.getMessage() for record in caplog.records] == [
        "heartbeat: answered with HTTP 500",
        "heartbeat: the peer reset the connection",
        "heartbeat: heard again",
    ]
    assert "token-of-the-path" not in caplog.text


def test_the_thread_beats_until_it_is_stopped() -> None:
    third = threading.Event()
    count = []

    def behave(exchange: web.Exchange) -> None:
        web.answers("204 No Content")(exchange)
        count.append(1)
        if len(count) >= 3:
            third.set()

    with web.Peer(behave) as peer:
        beats = heartbeat(peer.url, clock=SystemClock(), every_s=0.01)
        beats.start()
        assert third.wait(10)
        assert beats.stop()
        assert beats.stop()


def test_a_fault_does_not_end_it(caplog: pytest.LogCaptureFixture) -> None:
    asked, again = [], threading.Event()

    def well() -> bool:
        asked.append(1)
        if len(asked) == 1:
            raise RuntimeError("https://phone.example/secret-token")
        again.set()
        return False

    beats = Heartbeat("http://127.0.0.1:9/", 0.01, SystemClock(), LOG, well=well)
    beats.start()
    assert again.wait(10)
    assert beats.stop()
    assert "fault in a beat" in caplog.text
    assert "secret-token" not in caplog.text


def test_stop_before_start() -> None:
    assert heartbeat("http://127.0.0.1:9/").stop()


@pytest.mark.parametrize("url", ["ftp://x/secret-token", "https://user:secret-token@x/", "secret-token"])
def test_an_address_that_cannot_work_is_an_error_that_does_not_show_it(url: str) -> None:
    with pytest.raises(SinkError, match="the heartbeat's address") as caught:
        heartbeat(url)
    assert "secret-token" not in str(caught.value)
