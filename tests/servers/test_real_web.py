"""Webhooks to a real nginx, and published pages read through it, on loopback."""

from __future__ import annotations

import os
import ssl
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.publish import PublishSink
from dooryard.sinks.remedies import remedy_for
from dooryard.sinks.webhook import WebhookSink
from servers import real
from servers.real import PASSWORD, USER, WebServer, nginx, open_folder
from unit.outbox.builders import alert, visit
from unit.sinks.test_webhook import photograph

pytestmark = pytest.mark.skipif(
    real.NGINX is None, reason="nginx is not installed (Debian: apt install nginx-light)"
)
ALERT = alert(1, visit(1))


@dataclass
class Garden:
    server: WebServer
    pages: Path


@pytest.fixture(scope="module")
def garden() -> Iterator[Garden]:
    with open_folder() as folder, nginx(folder / "web") as server:
        yield Garden(server, folder / "web")


def hook(url: str, **options: Any) -> WebhookSink:
    fields: dict[str, Any] = {"message_max_bytes": 1_000_000, "now": time.time}
    return WebhookSink("phone", url, **(fields | options))


def test_its_own_limit_is_not_reached(garden: Garden) -> None:
    answer = hook(f"http://127.0.0.1:{garden.server.plain}/hook").send(ALERT, photograph())
    assert answer == SendResult(SendOutcome.SENT, "HTTP 204 No Content")


def test_a_lower_limit_is_found_out_and_kept(garden: Garden) -> None:
    phone = hook(f"http://127.0.0.1:{garden.server.plain}/small")
    answers = [phone.send(ALERT, photograph()) for _ in range(4)]
    assert {answer.outcome for answer in answers} == {SendOutcome.SENT}
    assert ", with" in answers[0].text
    assert answers[-1].text == "HTTP 204 No Content"


def test_a_user_and_a_password(garden: Garden) -> None:
    url = f"https://127.0.0.1:{garden.server.tls}/guarded"
    right = hook(url, ca_file=garden.server.ca_file, basic=(USER, PASSWORD)).send(ALERT, None)
    assert right.outcome is SendOutcome.SENT, right
    wrong = hook(url, ca_file=garden.server.ca_file, basic=(USER, "no")).send(ALERT, None)
    assert "log-in is wrong" in (remedy_for(wrong) or ""), wrong


def test_what_was_asked_in_the_wrong_way(garden: Garden) -> None:
    plain = hook(f"http://127.0.0.1:{garden.server.tls}/hook").send(ALERT, None)
    assert "address with https" in (remedy_for(plain) or ""), plain
    tls = hook(f"https://127.0.0.1:{garden.server.plain}/hook").send(ALERT, None)
    assert "speaks no TLS" in (remedy_for(tls) or ""), tls
    asked = hook(f"https://127.0.0.1:{garden.server.asking}/", ca_file=garden.server.ca_file).send(
        ALERT, None
    )
    assert "certificate of the box's own" in (remedy_for(asked) or ""), asked
    stranger = hook(f"https://127.0.0.1:{garden.server.tls}/hook").send(ALERT, None)
    assert "ca_file" in (remedy_for(stranger) or ""), stranger


@pytest.mark.skipif(os.geteuid() != 0, reason="needs root: else nginx and the publisher are one user")
def test_pages_can_be_read_by_another_user(garden: Garden, tmp_path: Path) -> None:
    journal = tmp_path / "journal"
    (journal / "day").mkdir(parents=True, mode=0o750)
    for name in ("index.html", "day/2026-06-14.html", ".journal.json"):
        (journal / name).write_text("<p>Alder Row</p>")
        (journal / name).chmod(0o640)
    assert PublishSink("web", journal, garden.pages).send(alert(1), None).outcome is SendOutcome.SENT
    trust = ssl.create_default_context(cafile=str(garden.server.ca_file))
    base = f"https://127.0.0.1:{garden.server.tls}/garden"
    for name in ("index.html", "day/2026-06-14.html"):
        with urllib.request.urlopen(f"{base}/{name}", context=trust) as page:
            assert page.read() == b"<p>Alder Row</p>"
    with pytest.raises(urllib.error.HTTPError, match="404"):
        urllib.request.urlopen(f"{base}/.journal.json", context=trust)
