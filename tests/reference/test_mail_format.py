"""Mails as a real server (PyPI aiosmtpd) took them, read by Python's own parser.

Sources: RFC 5322 (message format), RFC 2045-2047 (MIME), RFC 3834 (Auto-Submitted).
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime, parsedate_to_datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.core.records import Alert
from dooryard.sinks.email import EmailSink
from dooryard.sinks.letter import compose
from servers.post_office import PostOffice
from unit.outbox.builders import JPEG, START, alert, visit

NOW = datetime(2026, 6, 14, 20, 0, tzinfo=UTC)
SENDER = Address("The box", "box", "alder-row.example")


def delivered(told: Alert, picture: bytes | None) -> EmailMessage:
    with PostOffice() as office:
        sink = EmailSink(
            "post",
            "127.0.0.1",
            office.port,
            sender="Vogelhäuschen <box@alder-row.example>",
            recipients=["Zoë <zoe@alder-row.example>", "sam@alder-row.example"],
            security="none",
            now=NOW.timestamp,
        )
        sink.send(told, picture)
        (mail,) = office.mails
    return read(mail.raw)


def read(raw: bytes) -> EmailMessage:
    message = message_from_bytes(raw, policy=policy.default)
    assert isinstance(message, EmailMessage)
    for part in message.walk():
        assert part.defects == []
    return message


def test_the_parts_and_headers() -> None:
    told = alert(1, visit(1), title="ein Grünfink am Erlenweg 🐦", text="Er kam um 14:00 <und> fraß.\nLange.")
    message = delivered(told, JPEG)
    assert str(message["Subject"]) == told.title
    assert message["From"].addresses[0].display_name == "Vogelhäuschen"
    assert [a.addr_spec for a in message["To"].addresses] == [
        "zoe@alder-row.example",
        "sam@alder-row.example",
    ]
    assert message["To"].addresses[0].display_name == "Zoë"
    assert message["Message-ID"] == f"<{told.id}@alder-row.example>"
    assert message["Auto-Submitted"] == "auto-generated"
    assert parsedate_to_datetime(message["Date"]) == NOW
    assert message.get_content_type() == "multipart/mixed"
    text, picture = message.iter_parts()
    assert text.get_content().splitlines()[:2] == told.text.splitlines()
    assert "It happened on 14 June 2026 at 13:01:00 UTC." in text.get_content()
    assert picture.get_content_type() == "image/jpeg"
    assert picture.get_content() == JPEG
    assert picture.get_content_disposition() == "inline"


def test_without_a_picture_there_are_only_words() -> None:
    message = delivered(alert(1), None)
    assert message.get_content_type() == "text/plain"


def test_a_clock_that_is_not_set_is_said_and_not_believed() -> None:
    message = delivered(alert(1, clock_set=False), None)
    assert parsedate_to_datetime(message["Date"]) == NOW
    text = message.get_body(("plain",))
    assert text is not None
    assert "clock was not set" in text.get_content()


def test_a_repeat_bears_the_same_message_id() -> None:
    first, second = delivered(alert(1), JPEG), delivered(alert(1), JPEG)
    assert first["Message-ID"] == second["Message-ID"]


def test_nobody_is_without_a_name() -> None:
    bare = Address("", "box", "alder-row.example")
    message = read(compose(alert(1), None, bare, [bare, SENDER], NOW).as_bytes())
    assert str(message["From"]) == "Dooryard <box@alder-row.example>"
    assert str(message["To"]) == "box <box@alder-row.example>, The box <box@alder-row.example>"


# Mailboxes in mbox format tell messages apart by such a line (RFC 4155); what quotes it breaks a signature.
@settings(max_examples=100, deadline=None)
@given(st.lists(st.sampled_from(["From 14:00:39 on", "From", "x" * 75, " From me", "é", "From " * 30, ""])))
def test_no_line_begins_with_from(lines: list[str]) -> None:
    text = "\n".join(["From the hedge it came", *lines])
    raw = compose(alert(1, text=text), JPEG, SENDER, [SENDER], NOW).as_bytes()
    body = raw.partition(b"\r\n\r\n")[2]
    assert not [line for line in body.splitlines() if line.startswith(b"From ")]
    part = next(iter(read(raw).iter_parts()))
    assert part.get_content().replace("\r\n", "\n").startswith(text)


@pytest.mark.skipif(
    shutil.which("spamassassin") is None,
    reason="spamassassin is not installed (Debian: apt install spamassassin)",
)
@pytest.mark.parametrize("picture", [None, JPEG])
@pytest.mark.parametrize("text", ["From 14:00:39 on, 99 % sure.", "Das Rotkehlchen fraß.", "x"])
def test_a_filter_finds_nothing_to_dislike(tmp_path: Path, picture: bytes | None, text: str) -> None:
    """By SpamAssassin's own rules, without the network; what it gives for a trusted way is not counted."""
    bare = Address("", "box", "alder-row.example")
    now = datetime.now(UTC)
    told = alert(1, text=text, wall=now - timedelta(days=4))
    mail = compose(told, picture, bare, [Address("", "robin", "alder-row.example")], now).as_bytes()
    way = b"Received: from garden.example (garden.example [10.0.0.7])\r\n\tby mail.alder-row.example; "
    whole = way + format_datetime(now).encode() + b"\r\n" + mail
    done = subprocess.run(
        ["spamassassin", "--local", "--test-mode"],
        input=whole, capture_output=True, check=True, env={**os.environ, "HOME": str(tmp_path)}, timeout=120,
    )  # fmt: skip
    found = re.findall(r"(?m)^\s*(-?\d+\.\d) ([A-Z][A-Z0-9_]+)", done.stdout.decode("utf-8", "replace"))
    assert found
    disliked = {name: float(points) for points, name in found if float(points) > 0}
    assert sum(disliked.values()) <= 0.5, disliked


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=200), st.text(max_size=400), st.text(min_size=1, max_size=60))
def test_no_text_can_forge_a_header(title: str, text: str, alert_id: str) -> None:
    told = alert(1, title=title, text=text, id=alert_id)
    raw = compose(told, JPEG, SENDER, [SENDER], NOW).as_bytes()
    assert raw.isascii()
    assert all(len(line) <= 998 for line in raw.splitlines())  # RFC 5322, 2.1.1
    message = read(raw)
    expected = [
        "From",
        "To",
        "Subject",
        "Date",
        "Message-ID",
        "Auto-Submitted",
        "MIME-Version",
        "Content-Type",
    ]
    assert list(message.keys()) == expected
    assert len([part for part in message.walk() if not part.is_multipart()]) == 2


@pytest.mark.parametrize(
    "forged",
    [
        "x\r\nBcc: all@a.example",
        "x\nBcc: all@a.example\n\nHello",
        "x\rBcc: a",
        "x\x00y",
        "x\u2028Bcc: all@a.example",
        "\ud800 lone",
        "bell \x07 and escape \x1b[2J",
    ],
)
def test_known_tricks(forged: str) -> None:
    message = read(compose(alert(1, title=forged, text=forged), None, SENDER, [SENDER], NOW).as_bytes())
    assert "Bcc" not in message
    assert str(message["Subject"]).isprintable()
    assert START.year == parsedate_to_datetime(message["Date"]).year
