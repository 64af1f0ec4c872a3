"""Mails as a real server (PyPI aiosmtpd) took them, read by Python's own parser.

Sources: RFC 5322 (message format), RFC 2045-2047 (MIME), RFC 2392 (cid links), RFC 3834 (Auto-Submitted).
"""

from __future__ import annotations

import html
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import parsedate_to_datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.records import Alert
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
    assert parsedate_to_datetime(message["Date"]) == told.wall
    assert message.get_content_type() == "multipart/alternative"
    text, html_part = message.get_body(("plain",)), message.get_body(("html",))
    assert text is not None
    assert html_part is not None
    assert text.get_content().splitlines() == told.text.splitlines()
    assert html.unescape(html_part.get_content()).count("Er kam um 14:00 <und> fraß.<br>") == 1
    (picture,) = [part for part in message.walk() if part.get_content_type() == "image/jpeg"]
    assert picture.get_content() == JPEG
    assert picture.get_content_disposition() == "inline"
    # RFC 2392: the link is the Content-ID without its angle brackets.
    assert f'src="cid:{picture["Content-ID"].strip("<>")}"' in html_part.get_content()


def test_without_a_picture_there_is_no_link_to_one() -> None:
    message = delivered(alert(1), None)
    assert not [part for part in message.walk() if part.get_content_maintype() == "image"]
    html_part = message.get_body(("html",))
    assert html_part is not None
    assert "<img" not in html_part.get_content()


def test_a_clock_that_is_not_set_is_said_and_not_believed() -> None:
    message = delivered(alert(1, clock_set=False), None)
    assert parsedate_to_datetime(message["Date"]) == NOW
    text = message.get_body(("plain",))
    assert text is not None
    assert "clock was not set" in text.get_content()


def test_a_repeat_bears_the_same_message_id_and_date() -> None:
    first, second = delivered(alert(1), JPEG), delivered(alert(1), JPEG)
    assert (first["Message-ID"], first["Date"]) == (second["Message-ID"], second["Date"])


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
    assert len([part for part in message.walk() if not part.is_multipart()]) == 3


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
