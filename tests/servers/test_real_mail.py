"""E-mail to a real Postfix with Dovecot's log-ins, on loopback."""

from __future__ import annotations

import logging
import os
import time
from pathlib import Path
from typing import Any

import pytest

from dooryard.cli.try_sinks import trial_picture
from dooryard.core.clock import FakeClock
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.sinks.base import SendOutcome
from dooryard.sinks.email import EmailSink
from dooryard.sinks.remedies import remedy_for
from servers import real
from servers.real import PASSWORD, ROBIN, USER, WREN, MailServer, postfix
from unit.outbox.builders import MONO_S, START, alert, decision, visit

pytestmark = pytest.mark.skipif(
    os.geteuid() != 0 or not real.MASTER.exists() or real.DOVECOT is None,
    reason="needs root, Postfix and Dovecot (Debian: apt install postfix dovecot-core)",
)
ALERT = alert(1, visit(1), text="From the hedge it came.\n.\nAnd went.")
PICTURE = trial_picture("Alder Row")


def sink(server: MailServer, **changes: Any) -> EmailSink:
    options: dict[str, Any] = {
        "sender": "box@alder-row.example",
        "recipients": [ROBIN, WREN],
        "security": "starttls",
        "ca_file": server.ca_file,
        "user": USER,
        "password": PASSWORD,
        "now": time.time,
    }
    return EmailSink("post", "127.0.0.1", server.port, **(options | changes))


def test_log_ins() -> None:
    with postfix() as server:
        answer = sink(server).send(ALERT, PICTURE)
        assert answer.outcome is SendOutcome.SENT, answer
        for name in (ROBIN, WREN):
            (mail,) = server.mails(name, 1)
            parts = mail.get_payload()
            assert isinstance(parts, list)
            text, picture = parts
            said = text.get_payload(decode=True).decode().replace("\r\n", "\n")  # type: ignore[union-attr]
            assert said.startswith(ALERT.text)
            assert picture.get_payload(decode=True) == PICTURE  # type: ignore[union-attr]
        wrong = sink(server, password="not " + PASSWORD).send(ALERT, None)
        assert (wrong.outcome, "SMTP 535" in wrong.text) == (SendOutcome.REFUSED, True)
        assert "password is wrong" in (remedy_for(wrong) or "")
        nobody = sink(server, user=None, password=None).send(ALERT, None)
        assert nobody.outcome is SendOutcome.REFUSED
        assert "give user and password" in (remedy_for(nobody) or ""), nobody
        bare = sink(server, security="none", user=None, password=None).send(ALERT, None)
        assert 'security to "starttls"' in (remedy_for(bare) or ""), bare
        tls = sink(server, security="tls").send(ALERT, None)
        assert "587 for starttls" in (remedy_for(tls) or ""), tls
        stranger = sink(server, ca_file=None).send(ALERT, None)
        assert "ca_file" in (remedy_for(stranger) or ""), stranger


def test_a_limit_that_it_announces() -> None:
    with postfix(most_bytes=200_000) as server:
        assert len(PICTURE) > 200_000
        answer = sink(server).send(ALERT, PICTURE)
        assert answer.outcome is SendOutcome.SENT
        (mail,) = server.mails(ROBIN, 1)
        assert len(mail.as_bytes()) < 210_000
        assert [part.get_content_type() for part in mail.walk()][-1] == "image/jpeg"


def test_one_mailbox_full(tmp_path: Path) -> None:
    clock = FakeClock(START, MONO_S)
    store = Store.open(tmp_path / "state", clock)
    with postfix(full=WREN) as server:
        post = DeliveryWorker(
            store, sink(server), clock, logging.getLogger("test"), rules=RetryRules(), jitter=lambda: 1.0
        )
        for number in range(6):
            one = visit(number)
            store.record_visit(one, None, decision(one), [alert(number, one, ("post",), picture=None)])
        while post.tick() == 0.0:
            pass  # without a step of the clock: nothing waits for anything
        assert len(server.mails(ROBIN, 6)) == 6
        assert server.mails(WREN, 0) == []
        (waiting, *_) = store.pending("post")
        assert "Mailbox full" in waiting.answer or "still to go to" in waiting.answer
    store.close()
