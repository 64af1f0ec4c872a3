"""What a mail server may not do to the box: fill its memory, hold it, or have its secrets written down."""

from __future__ import annotations

import base64
import tracemalloc
from typing import Any
from urllib.parse import quote

import pytest

from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.email import EmailSink
from dooryard.sinks.masking import MASK, masked, secrets_of
from servers import web
from servers.mail_talk import talk
from unit.outbox.builders import alert, visit

ALERT = alert(1, visit(1))
USER, PASSWORD = "alder", "grün & correct/horse"
PLAIN = base64.b64encode(f"\0{USER}\0{PASSWORD}".encode()).decode()
BASIC = base64.b64encode(f"{USER}:{PASSWORD}".encode()).decode()
BARE = base64.b64encode(PASSWORD.encode()).decode()


def answer_to(behaviour: web.Behaviour, **changes: Any) -> SendResult:
    options: dict[str, Any] = {
        "sender": "box@alder-row.example",
        "recipients": ["robin@alder-row.example"],
        "security": "none",
        "user": USER,
        "password": PASSWORD,
        "connect_timeout_s": 5.0,
        "read_timeout_s": 5.0,
        "total_timeout_s": 9.0,
        "now": lambda: 1_781_442_000.0,
    }
    with web.Peer(behaviour) as peer:
        return EmailSink("post", "127.0.0.1", peer.port, **(options | changes)).send(ALERT, None)


@pytest.mark.parametrize("at", ["greeting", "EHLO", "AUTH", "MAIL", "RCPT", "DATA", "."])
@pytest.mark.parametrize("piece", ["250-and more\r\n" * 500, "250-" + "x" * 60_000, "\r\n" * 5000])
def test_a_reply_without_end_costs_no_memory_and_is_tried_again(at: str, piece: str) -> None:
    tracemalloc.start()
    try:
        answer = answer_to(talk({at: ""}, endless=piece))
        peak_bytes = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert answer.outcome is (SendOutcome.MAYBE_SENT if at == "." else SendOutcome.NOT_SENT), answer
    assert "no end" in answer.text or "does not speak SMTP" in answer.text
    assert peak_bytes < 4_000_000


@pytest.mark.parametrize(
    "said", ["\r\n", "hello\r\n", "25 ok\r\n", "HTTP/1.1 400 Bad Request\r\n", "\0" * 99]
)
def test_what_is_no_reply_is_tried_again(said: str) -> None:
    answer = answer_to(talk({"RCPT": said + "\r\n"}))
    assert answer == SendResult(SendOutcome.NOT_SENT, "127.0.0.1: what answers there does not speak SMTP")


@pytest.mark.parametrize(
    "said", ["250-SIZE many", "250-SIZE " + "9" * 400, "250-SIZE", "250-SIZE 0", "250-SIZE ²"]
)
def test_a_size_that_is_none_is_none(said: str) -> None:
    answer = answer_to(talk({"EHLO": f"250-mail.example\r\n250-{said}\r\n250 AUTH PLAIN\r\n"}))
    assert answer.outcome is SendOutcome.SENT


# RFC 4954, 6: 535 is what a log-in that is not right is told.
@pytest.mark.parametrize("form", [PLAIN, BASIC, BARE, PASSWORD, quote(PASSWORD, safe="")])
@pytest.mark.parametrize("before", ["no: AUTH PLAIN ", "x" * 140 + " ", "x" * 152])
def test_a_log_in_said_back_is_not_written_down(form: str, before: str) -> None:
    answer = answer_to(talk({"AUTH": f"535 5.7.8 {before}{form}\r\n"}))
    assert answer.outcome is SendOutcome.REFUSED
    assert answer.text.startswith("SMTP 535 5.7.8")
    for secret in (PLAIN, BASIC, BARE, PASSWORD):
        assert secret[-8:] not in answer.text
        assert secret.rstrip("=")[-12:-4] not in answer.text


def test_a_log_in_said_back_in_pieces_is_hidden_as_well() -> None:
    secrets = secrets_of(PASSWORD, USER)
    assert masked(f"was {PLAIN[:14]} {PLAIN[5:]}", secrets, 160).count(MASK) == 2
    assert masked("nothing of the kind", secrets, 160) == "nothing of the kind"
    assert masked("anything", secrets_of(None), 4) == "anyt"


# RFC 4954, 4, and RFC 4616, 2: names and passwords go as UTF-8.
@pytest.mark.parametrize("way", ["PLAIN", "LOGIN", "CRAM-MD5"])
def test_a_password_of_any_letters_logs_in(way: str) -> None:
    heard: list[bytes] = []

    def behave(exchange: web.Exchange) -> None:
        lines = exchange.connection.makefile("rb")
        exchange.say("220 mail.alder-row.example\r\n")
        for line in lines:
            heard.append(line.strip())
            if line.upper().startswith(b"EHLO"):
                exchange.say(f"250-mail.example\r\n250 AUTH {way}\r\n")
            elif line.startswith((b"AUTH LOGIN", b"AUTH CRAM")):
                exchange.say("334 UGFzc3dvcmQ6\r\n")  # "Password:"
            elif line.startswith(b"mail"):
                exchange.say("451 enough\r\n")
            else:
                exchange.say("235 welcome\r\n")

    answer = answer_to(behave)
    assert answer.text == "SMTP 451 enough"
    said = {"PLAIN": PLAIN, "LOGIN": BARE}.get(way)
    if said:
        assert heard[1 if way == "PLAIN" else 2].split()[-1] == said.encode()
    else:
        assert base64.b64decode(heard[2]).startswith(b"alder ")


@pytest.mark.parametrize("options", [{"password": "a\0b"}, {"user": "\ud800"}])
def test_a_log_in_that_cannot_be_sent_is_refused_at_once(options: dict[str, str]) -> None:
    with pytest.raises(Exception, match="no log-in can carry"):
        answer_to(talk({}), **options)
