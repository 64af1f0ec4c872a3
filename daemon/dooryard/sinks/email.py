"""The e-mail sink: hands each alert to a mail server."""

from __future__ import annotations

import smtplib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from dooryard.core.errors import SinkError
from dooryard.core.records import Alert
from dooryard.imaging.shrink import PICTURE_TRIES, SizeLimit, fitted
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.letter import compose
from dooryard.sinks.mail_settings import (
    Security,
    checked_address,
    checked_log_in,
    checked_security,
    tls_context,
)
from dooryard.sinks.masking import masked, secrets_of
from dooryard.sinks.net import Limits, in_words
from dooryard.sinks.smtp import Server, hand_over, say_goodbye, session, size_limit, too_large

_TAKEN = {250, 251}  # RFC 5321, 4.2.3


class EmailSink:
    """A mail server that takes messages for us.

    Outcomes, for each recipient: taken is sent, a 4yz reply is not sent, 5yz is refused. Lost before the
    message went is not sent; lost after, without a reply, maybe sent. All together: not sent when somebody
    was put off, else sent when at least one has it.

    A message larger than the server says it takes (RFC 1870), or than it turned out to take, goes with a
    smaller picture, and in the end with none.
    """

    def __init__(
        self,
        name: str,
        host: str,
        port: int,
        *,
        sender: str,
        recipients: Sequence[str],
        security: Security = "tls",
        user: str | None = None,
        password: str | None = None,
        ca_file: Path | None = None,
        connect_timeout_s: float = 10.0,
        read_timeout_s: float = 30.0,
        total_timeout_s: float = 180.0,
        picture_max_bytes: int | None = 1_000_000,
        message_max_bytes: int | None = 1_000_000,
        now: Callable[[], float],
    ) -> None:
        """`now` gives Unix seconds. `sender` and `recipients` may have names: "Alder Row <box@a.example>".

        Raises `SinkError` for an address, a security or a file that can't work.
        """
        # Over thirty lines by its parameters alone.
        self.name = name
        self._sender = checked_address(sender)
        self._recipients = [checked_address(each) for each in recipients]
        if not self._recipients:
            raise SinkError("the e-mail sink has no recipient", "name at least one address in its list")
        self.recipients = tuple(dict.fromkeys(each.addr_spec for each in self._recipients))
        self._server = Server(
            host, port, checked_security(security, host), tls_context(ca_file),
            checked_log_in(user), checked_log_in(password),
        )  # fmt: skip
        self._secrets = secrets_of(password, user)
        self._limits = Limits(connect_timeout_s, read_timeout_s, total_timeout_s)
        self._picture_max_bytes = picture_max_bytes
        self._size = SizeLimit(message_max_bytes)
        self._announced_bytes: int | None = None  # what the server said the last time
        self._now = now

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        return self.send_to(alert, picture, self.recipients)

    def send_to(self, alert: Alert, picture: bytes | None, wanted: Sequence[str]) -> SendResult:
        letter = self._letter(
            alert, picture, self._size.of(alert.id, self._announced_bytes)
        )  # before a server waits for it
        try:
            with session(self._server, self._limits) as smtp:
                said, remark = self._told(smtp, alert, picture, letter, wanted)
                say_goodbye(smtp)
        except (OSError, smtplib.SMTPException) as error:
            return self._answer_to(error)
        return _summed_up(said, remark)

    def log_in(self) -> SendResult:
        """Log in and out again; nothing is sent."""
        try:
            with session(self._server, self._limits) as smtp:
                say_goodbye(smtp)
        except (OSError, smtplib.SMTPException) as error:
            return self._answer_to(error)
        done = "answers" if self._server.user is None else "let us log in"
        return SendResult(SendOutcome.SENT, f"{self._server.host} {done}")

    def close(self) -> None:
        """Nothing is kept open between two alerts."""

    def _answer_to(self, error: Exception) -> SendResult:
        """What it means that a session ended so, before anything was handed over."""
        host = self._server.host
        if isinstance(error, smtplib.SMTPResponseException):
            # Anything outside 4yz and 5yz here is a server out of step: worth another try.
            outcome = SendOutcome.REFUSED if 500 <= error.smtp_code < 600 else SendOutcome.NOT_SENT
            return SendResult(outcome, self._words(error.smtp_code, error.smtp_error))
        if isinstance(error, smtplib.SMTPNotSupportedError):
            wanted_way = "starttls or log-in" if self._server.security == "starttls" else "log-in"
            return SendResult(SendOutcome.NOT_SENT, f"{host}: does not offer {wanted_way}")
        return SendResult(SendOutcome.NOT_SENT, f"{host}: {in_words(error, self._limits)}")

    def _told(
        self, smtp: smtplib.SMTP, alert: Alert, picture: bytes | None, letter: _Letter, wanted: Sequence[str]
    ) -> tuple[dict[str, _RecipientResult], str]:
        """Hand it over, with a smaller picture to those for whom it was too large; what each one was told,
        and a remark about the picture.
        """
        said: dict[str, _RecipientResult] = {}
        left, refusals, shown = list(wanted), 0, picture
        while True:
            self._announced_bytes = size_limit(smtp)
            most_bytes = self._size.of(alert.id, self._announced_bytes)
            if said or (most_bytes is not None and len(letter.data) > most_bytes):
                letter = self._letter(alert, shown, most_bytes)
            try:
                if said:
                    smtp.rset()
                now_said = self._transaction(smtp, letter.data, left)
            except (OSError, smtplib.SMTPException) as error:
                if all(each.outcome is not SendOutcome.SENT for each in said.values()):
                    raise
                lost = _RecipientResult(
                    SendOutcome.NOT_SENT, f"{self._server.host}: {in_words(error, self._limits)}"
                )
                return said | dict.fromkeys(left, lost), ""
            said |= now_said
            left = [address for address, each in now_said.items() if each.too_large]
            if (
                not left
                or not letter.pictured
                or any(each.outcome is SendOutcome.MAYBE_SENT for each in now_said.values())
            ):
                taken = any(each.outcome is SendOutcome.SENT for each in now_said.values())
                return said, _remark(picture, pictured=letter.pictured, refusals=refusals) if taken else ""
            refusals += 1
            if len(left) == len(now_said):  # no matter of one mailbox
                self._size.refused(len(letter.data))
            if refusals == PICTURE_TRIES or len(left) < len(now_said):
                shown = None

    def _letter(self, alert: Alert, picture: bytes | None, most_bytes: int | None) -> _Letter:
        """The mail within `most_bytes`; without a picture it may be larger."""
        now = datetime.fromtimestamp(self._now(), UTC)

        def mail(jpeg: bytes | None) -> bytes:
            return compose(alert, jpeg, self._sender, self._recipients, now).as_bytes()

        def fits(jpeg: bytes) -> bool:
            small = self._picture_max_bytes is None or len(jpeg) <= self._picture_max_bytes
            return small and (most_bytes is None or len(mail(jpeg)) <= most_bytes)

        jpeg = None if picture is None else fitted(picture, fits)
        return _Letter(mail(jpeg), jpeg is not None)

    def _transaction(
        self, smtp: smtplib.SMTP, data: bytes, wanted: Sequence[str]
    ) -> dict[str, _RecipientResult]:
        code, text = smtp.mail(self._sender.addr_spec, [f"size={len(data)}"] if smtp.has_extn("size") else [])
        if code != 250:
            if too_large(code, text):
                return dict.fromkeys(wanted, self._said(code, text))
            raise smtplib.SMTPResponseException(code, text)
        said = {}
        for address in wanted:
            code, text = smtp.rcpt(address)
            if code == 421:  # the server hangs up: nothing was handed over
                raise smtplib.SMTPResponseException(code, text)
            said[address] = self._said(code, text)
        taken = [address for address, each in said.items() if each.outcome is SendOutcome.SENT]
        return said | dict.fromkeys(taken, self._handed_over(smtp, data)) if taken else said

    def _handed_over(self, smtp: smtplib.SMTP, data: bytes) -> _RecipientResult:
        code, text = smtp.docmd("DATA")
        if code != 354:
            # A 2yz in its place would be a server out of step, which has nothing yet.
            return (
                self._said(code, text)
                if code >= 400
                else _RecipientResult(SendOutcome.NOT_SENT, self._words(code, text))
            )
        try:
            return self._said(*hand_over(smtp, data))
        except (OSError, smtplib.SMTPException) as error:
            words = in_words(error, self._limits)
            return _RecipientResult(
                SendOutcome.MAYBE_SENT, f"{self._server.host}: lost while handing over: {words}"
            )

    def _said(self, code: int, text: bytes) -> _RecipientResult:
        if code in _TAKEN:
            return _RecipientResult(SendOutcome.SENT, "")
        # Anything outside 4yz and 5yz here is a server out of step: worth another try.
        outcome = SendOutcome.REFUSED if 500 <= code < 600 else SendOutcome.NOT_SENT
        return _RecipientResult(outcome, self._words(code, text), too_large(code, text))

    def _words(self, code: int, text: bytes | str) -> str:
        said = text.decode(errors="replace") if isinstance(text, bytes) else text
        return f"SMTP {code:03} {masked(said, self._secrets, 160)}".rstrip()


@dataclass(frozen=True, slots=True)
class _Letter:
    """A mail as it is sent, and whether a picture is in it."""

    data: bytes
    pictured: bool


@dataclass(frozen=True, slots=True)
class _RecipientResult:
    """What a recipient's message came to."""

    outcome: SendOutcome
    words: str
    too_large: bool = False


def _summed_up(said: Mapping[str, _RecipientResult], remark: str) -> SendResult:
    outcomes = {address: each.outcome for address, each in said.items()}
    found = set(outcomes.values())
    order = (SendOutcome.MAYBE_SENT, SendOutcome.NOT_SENT, SendOutcome.SENT, SendOutcome.REFUSED)
    outcome = next(each for each in order if each in found)
    if found in ({SendOutcome.REFUSED}, {SendOutcome.MAYBE_SENT}):
        words = [] if len({each.words for each in said.values()}) > 1 else [next(iter(said.values())).words]
    else:
        words = [f"taken for {list(outcomes.values()).count(SendOutcome.SENT)} of {len(said)}{remark}"]
    if not words or len(found) > 1 or outcome is SendOutcome.NOT_SENT:
        words += [
            f"{address}: {each.words}"
            for address, each in said.items()
            if each.outcome is not SendOutcome.SENT
        ]
    return SendResult(outcome, "; ".join(words), each=outcomes)


def _remark(picture: bytes | None, *, pictured: bool, refusals: int) -> str:
    if picture is not None and not pictured:
        return ", without the picture, which was too large"
    return ", with a smaller picture, as the first was too large" if refusals else ""
