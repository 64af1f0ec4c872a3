"""The e-mail sink against a real mail server on loopback."""

from __future__ import annotations

import io
import re
import threading
import time
from dataclasses import replace
from email import message_from_bytes
from email.policy import default
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from dooryard.core.errors import SinkError
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.email import EmailSink
from servers import web
from servers.certificates import Authority
from servers.post_office import DROP, HANG, PostOffice, Script
from unit.outbox.builders import JPEG, alert, visit

ALERT = alert(1, visit(1))
PASSWORD = "wren and thistle"
TWO = ["robin@alder-row.example", "Wren <wren@alder-row.example>"]


def sink(port: int, **changes: Any) -> EmailSink:
    options: dict[str, Any] = {
        "sender": "The box <box@alder-row.example>",
        "recipients": TWO[:1],
        "security": "none",
        "connect_timeout_s": 2.0,
        "read_timeout_s": 0.3,
        "total_timeout_s": 5.0,
        "now": lambda: 1_781_442_000.0,
    }
    return EmailSink("post", "127.0.0.1", port, **(options | changes))


def one_answer(script: Script | None = None, **changes: Any) -> tuple[SendResult, PostOffice]:
    with PostOffice(script) as office:
        answer = sink(office.port, **changes).send(ALERT, JPEG)
    return answer, office


def test_a_plain_server() -> None:
    answer, office = one_answer(recipients=TWO)
    assert answer == SendResult(SendOutcome.SENT, "taken for 2 of 2")
    (mail,) = office.mails
    assert mail.sender == "box@alder-row.example"
    assert mail.recipients == ["robin@alder-row.example", "wren@alder-row.example"]
    assert mail.raw.isascii()


# RFC 5321, 4.2.1: 4yz may be tried again, 5yz may not.
@pytest.mark.parametrize(
    ("script", "outcome"),
    [
        (Script(mail=["421 4.3.2 closing"]), SendOutcome.NOT_SENT),
        (Script(mail=["450 4.2.1 later"]), SendOutcome.NOT_SENT),
        (Script(mail=["550 5.1.8 who are you"]), SendOutcome.REFUSED),
        (Script(rcpt={"robin@alder-row.example": ["450 4.2.0 greylisted"]}), SendOutcome.NOT_SENT),
        (Script(rcpt={"robin@alder-row.example": ["421 4.7.0 enough"]}), SendOutcome.NOT_SENT),
        (Script(rcpt={"robin@alder-row.example": ["550 5.1.1 unknown"]}), SendOutcome.REFUSED),
        (Script(data=["451 4.3.0 try later"]), SendOutcome.NOT_SENT),
        (Script(data=["421 4.3.2 closing"]), SendOutcome.NOT_SENT),
        (Script(data=["554 5.6.0 no"]), SendOutcome.REFUSED),
        (Script(mail=[DROP]), SendOutcome.NOT_SENT),
        (Script(mail=[HANG]), SendOutcome.NOT_SENT),
        (Script(rcpt={"robin@alder-row.example": [DROP]}), SendOutcome.NOT_SENT),
        (Script(data=[DROP]), SendOutcome.MAYBE_SENT),
        (Script(data=[HANG]), SendOutcome.MAYBE_SENT),
    ],
)
def test_every_kind_of_reply(script: Script, outcome: SendOutcome) -> None:
    expected = [
        *script.mail,
        *(reply for replies in script.rcpt.values() for reply in replies),
        *script.data,
    ][0]
    answer, office = one_answer(script)
    assert answer.outcome is outcome, answer
    assert answer.text
    if expected not in {DROP, HANG}:
        assert f"SMTP {expected[:3]}" in answer.text
    assert len(office.mails) == (1 if outcome is SendOutcome.MAYBE_SENT else 0)


def test_one_recipient_refused_for_good_does_not_keep_the_mail_from_the_other() -> None:
    script = Script(rcpt={"wren@alder-row.example": ["550 5.1.1 unknown"]})
    answer, office = one_answer(script, recipients=TWO)
    assert answer.outcome is SendOutcome.SENT
    assert answer.text == "taken for 1 of 2; wren@alder-row.example: SMTP 550 5.1.1 unknown"
    assert office.mails[0].recipients == ["robin@alder-row.example"]


def test_a_recipient_put_off_is_told_apart_from_one_that_has_it() -> None:
    script = Script(rcpt={"wren@alder-row.example": ["450 4.2.0 greylisted"]})
    with PostOffice(script) as office:
        post = sink(office.port, recipients=TWO)
        assert post.recipients == ("robin@alder-row.example", "wren@alder-row.example")
        first = post.send(ALERT, JPEG)
        second = post.send_to(ALERT, JPEG, post.recipients[1:])
    assert first.outcome is SendOutcome.NOT_SENT
    assert first.text == "taken for 1 of 2; wren@alder-row.example: SMTP 450 4.2.0 greylisted"
    assert first.each == {
        "robin@alder-row.example": SendOutcome.SENT,
        "wren@alder-row.example": SendOutcome.NOT_SENT,
    }
    assert second == SendResult(SendOutcome.SENT, "taken for 1 of 1")
    assert [mail.recipients for mail in office.mails] == [
        ["robin@alder-row.example"],
        ["wren@alder-row.example"],
    ]


# --- messages that are too large ---


def photograph(width: int = 1600, height: int = 1200) -> bytes:
    """A picture of noise: about a megabyte."""
    out = io.BytesIO()
    Image.effect_noise((width, height), 60).convert("RGB").save(out, "JPEG", quality=75)
    return out.getvalue()


def picture_in(raw: bytes) -> bytes | None:
    found = [part for part in message_from_bytes(raw).walk() if part.get_content_type() == "image/jpeg"]
    data = found[0].get_payload(decode=True) if found else None
    assert data is None or isinstance(data, bytes)
    return data


# RFC 1870: the server says in SIZE what it takes at most; 552 says that it was too much.
@pytest.mark.parametrize("announce", [True, False])
@pytest.mark.parametrize("most_bytes", [700_000, 300_000, 60_000])
def test_a_server_with_a_limit_gets_a_smaller_picture(most_bytes: int, announce: bool) -> None:
    picture = photograph()
    assert len(picture) > 700_000
    with PostOffice(most_bytes=most_bytes, announce=announce) as office:
        post = sink(office.port, recipients=TWO, read_timeout_s=5.0)
        answers = [post.send(alert(number), picture) for number in range(5)]
    assert [answer.outcome for answer in answers] == [SendOutcome.SENT] * 5
    assert len(office.mails) == 5
    assert all(len(mail.raw) <= most_bytes for mail in office.mails)
    # What it found out it keeps: in the end a picture arrives, and nothing is sent in vain.
    assert picture_in(office.mails[-1].raw)
    assert answers[-1] == SendResult(SendOutcome.SENT, "taken for 2 of 2")


def test_a_server_that_takes_no_picture_gets_the_words() -> None:
    with PostOffice(most_bytes=3000, announce=False) as office:
        answer = sink(office.port, read_timeout_s=5.0).send(ALERT, photograph())
    assert answer == SendResult(
        SendOutcome.SENT, "taken for 1 of 1, without the picture, which was too large"
    )
    assert ALERT.text.encode() in office.mails[0].raw


# 552 in answer to a recipient is its mailbox (RFC 5321, 4.2.3).
def test_a_full_mailbox_gets_the_words_and_the_other_the_picture() -> None:
    script = Script(rcpt={"wren@alder-row.example": ["552 5.2.2 mailbox full"]})
    answer, office = one_answer(script, recipients=TWO)
    assert answer.outcome is SendOutcome.SENT
    assert [mail.recipients for mail in office.mails] == [[each] for each in answer.each]
    assert [bool(picture_in(mail.raw)) for mail in office.mails] == [True, False]


# Postfix says so of a mailbox over quota however small the message is.
def test_a_picture_that_arrived_is_not_said_to_be_missing() -> None:
    script = Script(rcpt={"wren@alder-row.example": ["552 5.2.2 over quota"] * 3})
    answer, office = one_answer(script, recipients=TWO)
    assert "picture" not in answer.text
    assert [bool(picture_in(mail.raw)) for mail in office.mails] == [True]


# Mailboxes in one file mark such lines (RFC 4155, appendix A, from memory), and a signature then fails.
def test_no_line_begins_with_from() -> None:
    text = "A first line.\nFrom here on it rains.\nFrom\nfrom here\n"
    with PostOffice() as office:
        sink(office.port).send(replace(ALERT, text=text), photograph())
    raw = office.mails[0].raw
    assert re.search(rb"^From ", raw, flags=re.MULTILINE) is None
    words = message_from_bytes(raw, policy=default).get_body(("plain",))
    assert words is not None
    assert words.get_content().splitlines()[:4] == text.splitlines()


def test_words_that_are_too_large_are_refused() -> None:
    answer, office = one_answer(Script(data=["552 5.3.4 too big"] * 3))
    assert answer == SendResult(SendOutcome.REFUSED, "SMTP 552 5.3.4 too big")
    assert office.mails == []


def test_nobody_listens() -> None:
    answer = sink(web.unused_port()).send(ALERT, JPEG)
    assert answer == SendResult(SendOutcome.NOT_SENT, "127.0.0.1: the connection was refused")


def test_the_name_does_not_exist() -> None:
    post = EmailSink(
        "post", "mail.invalid", 465, sender="box@a.example", recipients=["x@a.example"], now=lambda: 0.0
    )
    assert post.send(ALERT, None) == SendResult(SendOutcome.NOT_SENT, "mail.invalid: the name was not found")


def greets_with(*lines: str) -> web.Behaviour:
    def behave(exchange: web.Exchange) -> None:
        exchange.say("\r\n".join(lines) + "\r\n")
        exchange.hang()

    return behave


def drips_a_greeting(exchange: web.Exchange) -> None:
    exchange.say("220-")
    exchange.drip()


@pytest.mark.parametrize(
    ("behaviour", "outcome"),
    [
        (greets_with("554 5.7.1 no service for you"), SendOutcome.REFUSED),
        (greets_with("421 busy"), SendOutcome.NOT_SENT),
        (greets_with("HTTP/1.1 400 what"), SendOutcome.NOT_SENT),
        (web.hangs_before_reading, SendOutcome.NOT_SENT),
        (drips_a_greeting, SendOutcome.NOT_SENT),
    ],
)
def test_a_greeting_that_is_none(behaviour: web.Behaviour, outcome: SendOutcome) -> None:
    with web.Peer(behaviour) as peer:
        start_s = time.monotonic()
        answer = sink(peer.port, connect_timeout_s=0.3, total_timeout_s=0.4).send(ALERT, JPEG)
        took_s = time.monotonic() - start_s
    assert answer.outcome is outcome
    assert took_s < 5


def test_a_mail_that_is_too_big_for_the_socket_and_a_slow_reader_end_in_time() -> None:
    stalled = threading.Event()

    def stalls_in_data(exchange: web.Exchange) -> None:
        exchange.say("220 mail.alder-row.example\r\n")
        for reply in ("250 hello", "250 fine", "250 fine", "354 go on"):
            while b"\n" not in exchange.connection.recv(4096):
                pass
            exchange.say(f"{reply}\r\n")
        stalled.set()
        exchange.hang()

    with web.Peer(stalls_in_data) as peer:
        post = sink(
            peer.port, read_timeout_s=30, total_timeout_s=0.5, picture_max_bytes=None, message_max_bytes=None
        )
        answer = post.send(ALERT, b"x" * 12_000_000)
    assert stalled.is_set()
    assert answer.outcome is SendOutcome.MAYBE_SENT


# --- TLS and log-in ---


@pytest.mark.parametrize("security", ["tls", "starttls"])
def test_encrypted_and_logged_in(tmp_path: Path, security: str) -> None:
    authority = Authority(tmp_path)
    way: dict[str, Any] = {security: authority.server()}
    with PostOffice(password=PASSWORD, **way) as office:
        options = {"security": security, "ca_file": authority.file, "user": "box"}
        good = sink(office.port, password=PASSWORD, **options).send(ALERT, JPEG)
        bad = sink(office.port, password="not " + PASSWORD, **options).send(ALERT, JPEG)
    assert good.outcome is SendOutcome.SENT
    assert office.logins == ["box", "box"] or set(office.logins) == {"box"}
    assert bad.outcome is SendOutcome.REFUSED
    assert bad.text.startswith("SMTP 535")
    # This server repeats what it was given; the answer must not.
    assert PASSWORD not in bad.text
    assert len(office.mails) == 1


@pytest.mark.parametrize("security", ["tls", "starttls"])
@pytest.mark.parametrize(("name", "expired"), [("other.example", False), ("127.0.0.1", True)])
def test_a_certificate_that_is_not_right_sends_nothing(
    tmp_path: Path, security: str, name: str, expired: bool
) -> None:
    authority = Authority(tmp_path)
    way: dict[str, Any] = {security: authority.server(name, expired=expired)}
    with PostOffice(password=PASSWORD, **way) as office:
        post = sink(office.port, security=security, ca_file=authority.file, user="box", password=PASSWORD)
        answer = post.send(ALERT, JPEG)
    assert answer.outcome is SendOutcome.NOT_SENT
    assert "the certificate was not accepted" in answer.text
    assert office.logins == []
    assert office.mails == []


def test_no_starttls_no_mail() -> None:
    answer, office = one_answer(security="starttls", user="box", password=PASSWORD)
    assert answer.outcome is SendOutcome.NOT_SENT
    assert "does not offer" in answer.text
    assert office.mails == []


# --- what cannot work is said when the sink is built ---


@pytest.mark.parametrize(
    "changes",
    [
        {"recipients": []},
        {"recipients": ["nobody"]},
        {"sender": ""},
        {"sender": "box@"},
        {"sender": "a b@c.example"},
        {"recipients": ["x@a.example\nBcc: all@a.example"]},
        {"sender": "Box\r\nBcc: all@a.example <b@a.example>"},
        {"recipients": ["größe@a.example"]},
        {"security": "maybe"},
        {"ca_file": Path("/nowhere.pem")},
        {"host": "mail.example", "security": "none"},
        {"host": "192.168.1.2", "security": "none"},
    ],
)
def test_settings_that_cannot_work(changes: dict[str, Any]) -> None:
    options: dict[str, Any] = {
        "host": "127.0.0.1",
        "port": 25,
        "sender": "b@a.example",
        "recipients": ["r@a.example"],
        "security": "none",
        "now": lambda: 0.0,
    } | changes
    with pytest.raises(SinkError) as caught:
        EmailSink("post", options.pop("host"), options.pop("port"), **options)
    assert caught.value.remedy
