"""An alert as a mail: pure.

Sources: RFC 5322 (message), RFC 2045 to 2047 (MIME), RFC 2183 (a picture that is shown in line),
RFC 3834 (Auto-Submitted).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP

from dooryard.core.records import Alert

_ABOUT = (
    "Dooryard sent this by itself, and nobody reads answers to it. "
    "The journal keeps each visit with its picture and how sure the box was."
)
# Everything in seven bits: no server is too old for it.
POLICY = SMTP.clone(cte_type="7bit")


def compose(
    alert: Alert, picture: bytes | None, sender: Address, recipients: Sequence[Address], now: datetime
) -> EmailMessage:
    """Plain text, and the JPEG below it. No HTML: filters take a page with a picture and few words for
    advertising, whatever it says, and no alert has many words.

    The Message-ID comes from the alert's id, so that a repeat can be known as one. The date is that of
    sending, `now`: filters take an old one for a forgery. When it happened stands in the text.
    """
    message = EmailMessage(policy=POLICY)
    message["From"] = _named(sender, "Dooryard")
    message["To"] = tuple(_named(each, each.username) for each in recipients)
    message["Subject"] = one_line(alert.title)
    message["Date"] = now
    message["Message-ID"] = f"<{_token(alert.id)}@{sender.domain}>"
    message["Auto-Submitted"] = "auto-generated"
    _fill(message, f"{_body(alert)}\n")
    if picture is not None:
        message.add_attachment(picture, "image", "jpeg", filename="visit.jpg", disposition="inline")
    return message


def _named(address: Address, name: str) -> Address:
    """With a name: a bare address is one more thing that filters dislike."""
    return address if address.display_name else Address(name, address.username, address.domain)


def _fill(part: EmailMessage, text: str) -> None:
    """Put in `text` so that no line begins with "From ": some stores put a sign before it, which breaks
    signatures (RFC 4155, appendix A).
    """
    starts_so = re.search(r"^From ", text, re.MULTILINE) is not None
    part.set_content(text, cte="quoted-printable" if starts_so else None)
    if part["Content-Transfer-Encoding"] == "quoted-printable":
        payload = re.sub(r"^From ", "=46rom ", str(part.get_payload()), flags=re.MULTILINE)
        part.set_payload(payload)


def one_line(text: str) -> str:
    """`text` without line breaks and other control characters, fit for a header."""
    return " ".join("".join(c if c.isprintable() else " " for c in _sound(text)).split())


def _body(alert: Alert) -> str:
    when = f"It happened on {alert.wall.day} {alert.wall:%B %Y at %H:%M:%S} UTC."
    if not alert.clock_set:
        when = "The box's clock was not set: times may be wrong."
    return f"{_sound(alert.text)}\n\n{when}\n\n{_ABOUT}"


def _sound(text: str) -> str:
    """Lone surrogates cannot be sent; they become question marks."""
    return text.encode("utf-8", errors="replace").decode().replace("\0", " ")


def _token(text: str) -> str:
    """Only what may stand in a Message-ID (RFC 5322, dot-atom)."""
    return "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "-" for c in text)
