"""Secrets are planted in every place they may come from; then everything that is written is searched."""

from __future__ import annotations

import base64
import io
import logging
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from dooryard.box.file import parse_box
from dooryard.cli import outbox
from dooryard.cli.check import check
from dooryard.cli.explain import why
from dooryard.cli.try_sinks import try_sinks
from dooryard.config.secrets import path_of
from dooryard.core.clock import FakeClock
from dooryard.core.errors import SinkError
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.service import build
from dooryard.service.heartbeat import Heartbeat
from dooryard.sinks.base import Sink
from dooryard.sinks.body import BodyPlan
from dooryard.sinks.net import Limits
from dooryard.sinks.publish import PublishSink
from dooryard.sinks.remote import Host
from dooryard.sinks.template import parse_template
from dooryard.sinks.webhook import WebhookSink
from servers import web
from servers.post_office import PostOffice, Script
from unit.outbox.builders import JPEG, MONO_S, START, alert, decision, visit

BEARER = "bearer-of-thistles-0123456789"
SIGNING = "whsec_" + base64.b64encode(b"signed with a wren's feather 123").decode()
PASSWORD = "pass word of seeds & nuts"
BASIC = "basic-as-bread-crumbs"
PATH = "token-of-the-path"  # in the peers' addresses
FROM_ENVIRONMENT = "environment-of-ivy"
PLANTED = (BEARER, SIGNING, PASSWORD, BASIC, PATH, FROM_ENVIRONMENT)


def shapes_of(secret: str) -> set[bytes]:
    """The ways in which a secret might show up."""
    plain = secret.encode()
    return {
        plain,
        base64.b64encode(plain).rstrip(b"="),
        quote(secret).encode(),
        plain.hex().encode(),
        repr(secret)[1:-1].encode(),
    }


def leaks(text: bytes) -> list[str]:
    return [secret for secret in PLANTED if any(shape in text for shape in shapes_of(secret))]


def test_the_search_itself_finds() -> None:
    for secret in PLANTED:
        for shape in shapes_of(secret):
            assert leaks(b"before " + shape + b" after") != []


@pytest.fixture
def log() -> Iterator[io.StringIO]:
    """All that any logger of this process says, down to the last detail, but for the mail peer's own."""
    out = io.StringIO()
    handler, root = logging.StreamHandler(out), logging.getLogger()
    handler.addFilter(lambda record: not record.name.startswith("mail."))
    before = root.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    yield out
    root.setLevel(before)
    root.removeHandler(handler)


def echoes(*statuses: str) -> list[web.Behaviour]:
    """Answer rudely, with all that came and all that is secret in the answer."""

    def behaviour(status: str) -> web.Behaviour:
        def behave(exchange: web.Exchange) -> None:
            request = exchange.read()
            secrets = " ".join([*PLANTED, request.headers.get("authorization", "")])
            exchange.say(f"HTTP/1.1 {status}\r\nX-Echo: {secrets}\r\nRetry-After: {secrets}\r\n"
                         f"Location: http://elsewhere.example/{PATH}\r\n\r\n{secrets}")  # fmt: skip

        return behave

    return [behaviour(status) for status in statuses]


BOX = """
name = "Alder Row"
[[sink]]
kind = "webhook"
name = "phone"
url = "{url}"
secret = "file:{folder}/signing"
bearer = "credential:bearer"
[[sink]]
kind = "email"
name = "post"
host = "127.0.0.1"
port = {port}
security = "none"
user = "wren"
password = "file:{folder}/password"
from = "box@alder-row.example"
to = "robin@alder-row.example"
"""


def planted(folder: Path, name: str, secret: str) -> None:
    (folder / name).write_text(secret)
    (folder / name).chmod(0o600)


def test_nothing_that_is_written_holds_a_secret(
    tmp_path: Path, log: io.StringIO, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("PHONE", FROM_ENVIRONMENT)
    folder, said = tmp_path / "secrets", io.StringIO()
    folder.mkdir()
    for name, secret in (("signing", SIGNING), ("password", PASSWORD), ("bearer", BEARER)):
        planted(folder, name, secret)
    refusals = [f"535 5.7.8 {PASSWORD} is wrong", f"451 {PASSWORD} later", f"550 {PASSWORD} never"]
    rude = echoes("503 Busy", "301 Moved", "404 Not Found", "401 No")
    office = PostOffice(Script(rcpt={"robin@alder-row.example": refusals * 9}), password=PASSWORD)
    with web.Peer(*rude) as peer, office:
        text = BOX.format(url=peer.url, folder=folder, port=office.port)
        (tmp_path / "box.toml").write_text(text.replace(peer.url, "https://phone.example/hooks/x"))
        box = parse_box(text, "box.toml").value
        clock = FakeClock(START, MONO_S)
        store = Store.open(tmp_path / "state", clock)
        sinks = build.sinks(box, tmp_path, {"CREDENTIALS_DIRECTORY": str(folder), "PHONE": FROM_ENVIRONMENT})
        sinks += others(peer.url)
        told(store, clock, sinks)
        beat = Heartbeat(peer.url, 60, clock, logging.getLogger("dooryard"), well=lambda: True,
                         limits=Limits(1, 1, 2))  # fmt: skip
        said.write(beat.beat())
        try_sinks(sinks, "Alder Row", clock.now(), bytes(16), said, clock_set=True)
    said.write(" ".join(repr(each) + repr(vars(each).get("_plan")) for each in sinks))
    outbox.listing(store.folder, said, everything=True)
    outbox.listing(store.folder, said, everything=True, as_json=True)
    why(store.folder, "last", said)
    check([tmp_path / "box.toml"], said)
    store.close()
    assert "refused" in said.getvalue()  # there was something to leak
    assert "HTTP 404" in said.getvalue()
    captured = capfd.readouterr()
    assert leaks(said.getvalue().encode()) == []
    assert leaks((log.getvalue() + captured.out + captured.err).encode()) == []
    assert len(log.getvalue()) > 500
    for path in (tmp_path / "state").rglob("*"):
        assert not path.is_file() or leaks(path.read_bytes()) == [], path


def others(url: str) -> list[Sink]:
    plan = BodyPlan("text", parse_template("$title"), headers={"X-Title": parse_template("$title")})
    fields: dict[str, Any] = {
        "body": plan,
        "connect_timeout_s": 1.0,
        "read_timeout_s": 1.0,
        "now": lambda: 0.0,
    }
    return [
        WebhookSink("hub", url, basic=("wren", BASIC), **fields),
        WebhookSink("lamp", url, bearer=FROM_ENVIRONMENT, **fields),
    ]


def told(store: Store, clock: FakeClock, sinks: list[Sink]) -> None:
    """Visits, and as many attempts as it takes."""
    names = tuple(sink.name for sink in sinks)
    for number in range(3):
        one = visit(number)
        store.record_visit(one, JPEG, decision(one, sinks=names), [alert(number, one, names)])
    rules, log = RetryRules(give_up_after_s=600), logging.getLogger("dooryard")
    for sink in sinks:
        worker = DeliveryWorker(store, sink, clock, log, rules=rules, jitter=lambda: 1.0,
                        others=[name for name in names if name != sink.name])  # fmt: skip
        for _ in range(30):
            wait_s = worker.tick()
            if wait_s is None:
                break
            clock.advance(wait_s)


def test_another_program_gets_no_secret(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Neither on its command line, which every user can list, nor in its environment."""
    monkeypatch.setenv("PHONE", FROM_ENVIRONMENT)
    planted(tmp_path, "key", "-----BEGIN KEY----- " + BEARER)
    planted(tmp_path, "known", "x")
    (tmp_path / "journal").mkdir()
    spy = tmp_path / "rsync"
    spy.write_text(f'#!/bin/sh\ncat /proc/$$/cmdline /proc/$$/environ > "{tmp_path}/seen"\n')
    spy.chmod(0o755)
    key = path_of(f"file:{tmp_path}/key", None)
    host = Host("garden.example", "wren", "/srv/garden", key, tmp_path / "known", rsync=str(spy))
    PublishSink("web", tmp_path / "journal", host).send(alert(1), None)
    seen = (tmp_path / "seen").read_bytes()
    assert b"garden.example" in seen
    assert b"PATH=" in seen
    assert leaks(seen) == []
    assert leaks(Path("/proc/self/cmdline").read_bytes()) == []


def test_where_a_key_is_and_where_it_may_not_be(tmp_path: Path) -> None:
    planted(tmp_path, "key", BEARER)
    assert path_of(f"file:{tmp_path}/key", None) == tmp_path / "key"
    assert path_of("credential:key", tmp_path) == tmp_path / "key"
    (tmp_path / "key").chmod(0o644)
    for reference in (f"file:{tmp_path}/key", "file:/nowhere/key", "credential:none", "env:PHONE", BEARER):
        with pytest.raises(SinkError) as caught:
            path_of(reference, tmp_path)
        assert leaks(str(caught.value).encode()) == []
