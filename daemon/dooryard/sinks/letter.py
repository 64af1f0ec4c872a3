"""An alert as a mail: pure.

Sources: RFC 5322 (message), RFC 2045 to 2047 (MIME), RFC 2392 (Content-ID links), RFC 3834
(Auto-Submitted).
"""

from __future__ import annotations

import html
from collections.abc import Sequence
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP

from dooryard.records import Alert

# Everything in seven bits: no server is too old for it.
POLICY = SMTP.clone(cte_type="7bit")


def compose(
    alert: Alert, picture: bytes | None, sender: Address, recipients: Sequence[Address], now: datetime
) -> EmailMessage:
    """Text, an HTML alternative, and the JPEG inside the HTML.

    The Message-ID comes from the alert's id, so that a repeat can be known as one. `now` is the date when
    the alert's own time cannot be trusted.
    """
    message = EmailMessage(policy=POLICY)
    message["From"] = sender
    message["To"] = tuple(recipients)
    message["Subject"] = one_line(alert.title)
    message["Date"] = alert.wall if alert.clock_set else now
    message["Message-ID"] = f"<{_token(alert.id)}@{sender.domain}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(_text(alert))
    picture_id = f"picture.{_token(alert.id)}@{sender.domain}" if picture is not None else None
    message.add_alternative(_html(alert, picture_id), subtype="html")
    if picture is not None:
        message.get_payload()[1].add_related(  # type: ignore[union-attr,index]  # the HTML part just added
            picture, "image", "jpeg", cid=f"<{picture_id}>", filename="visit.jpg", disposition="inline"
        )
    return message


def one_line(text: str) -> str:
    """`text` without line breaks and other control characters, fit for a header."""
    return " ".join("".join(c if c.isprintable() else " " for c in _sound(text)).split())


def _text(alert: Alert) -> str:
    return _body(alert) + "\n"


def _html(alert: Alert, picture_id: str | None) -> str:
    lines = "<br>\n".join(html.escape(line) for line in _body(alert).splitlines())
    picture = f'<p><img src="cid:{picture_id}" alt="{html.escape(one_line(alert.title))}"></p>\n'
    return (
        '<!doctype html>\n<html><head><meta charset="utf-8"></head><body>\n'
        f"<p>{lines}</p>\n{picture if picture_id else ''}</body></html>\n"
    )


def _body(alert: Alert) -> str:
    if alert.clock_set:
        return _sound(alert.text)
    return _sound(alert.text) + "\n\nThe box's clock was not set: times may be wrong."


def _sound(text: str) -> str:
    """Lone surrogates cannot be sent; they become question marks."""
    return text.encode("utf-8", errors="replace").decode().replace("\0", " ")


def _token(text: str) -> str:
    """Only what may stand in a Message-ID (RFC 5322, dot-atom)."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in text)
