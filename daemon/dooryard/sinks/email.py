"""The e-mail sink: hands each alert to a mail server."""

from __future__ import annotations

import ipaddress
import smtplib
import ssl
from collections import OrderedDict
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from email.errors import MessageError
from email.headerregistry import Address
from email.utils import parseaddr
from pathlib import Path
from typing import Literal

from dooryard.errors import SinkError
from dooryard.records import Alert
from dooryard.sinks.base import Answer, Fate
from dooryard.sinks.letter import compose, one_line
from dooryard.sinks.masking import masked, secrets_of
from dooryard.sinks.net import Limits, in_words
from dooryard.sinks.picture import fitted
from dooryard.sinks.smtp import Server, hand_over, say_goodbye, session

Security = Literal["tls", "starttls", "none"]

REMEMBERED_ALERTS = 64


class EmailSink:
    """A mail server that takes messages for us.

    Outcomes: taken for at least one recipient is sent, unless a server put another one off for later. A
    4yz reply is not sent, 5yz is refused. Lost before the message went is not sent; lost after, without
    a reply, maybe sent. When some recipients were put off, the next attempt goes to those alone, as long
    as this process remembers; else the others get the same Message-ID again.
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
        now: Callable[[], float],
    ) -> None:
        """`now` gives Unix seconds. `sender` and `recipients` may have names: "Alder Row <box@a.example>".

        Raises `SinkError` for an address, a security or a file that can't work.
        """
        # Over thirty lines by its parameters alone.
        self.name = name
        self._sender = _checked_address(sender)
        self._recipients = [_checked_address(each) for each in recipients]
        if not self._recipients:
            raise SinkError("the e-mail sink has no recipient", "name at least one address in its list")
        self._server = Server(
            host, port, _checked_security(security, host), _tls_context(ca_file),
            _checked_log_in(user), _checked_log_in(password),
        )  # fmt: skip
        self._secrets = secrets_of(password, user)
        self._limits = Limits(connect_timeout_s, read_timeout_s, total_timeout_s)
        self._picture_max_bytes = picture_max_bytes
        self._now = now
        # Alert id -> addresses that have it, for alerts that were taken for some only.
        self._taken: OrderedDict[str, set[str]] = OrderedDict()

    def send(self, alert: Alert, picture: bytes | None) -> Answer:
        if picture is not None and self._picture_max_bytes is not None:
            picture = fitted(picture, self._picture_max_bytes)
        now = datetime.fromtimestamp(self._now(), UTC)
        host = self._server.host
        data = compose(alert, picture, self._sender, self._recipients, now).as_bytes()
        try:
            with session(self._server, self._limits) as smtp:
                return self._hand_over(smtp, alert.id, data)
        except smtplib.SMTPResponseException as error:
            return self._answer(error.smtp_code, error.smtp_error)
        except smtplib.SMTPNotSupportedError:
            return Answer(Fate.NOT_SENT, f"{host}: does not offer {self._server.security} or log-in")
        except (OSError, smtplib.SMTPException) as error:
            return Answer(Fate.NOT_SENT, f"{host}: {in_words(error, self._limits)}")

    def close(self) -> None:
        """Nothing is kept open between two alerts."""

    def _hand_over(self, smtp: smtplib.SMTP, alert_id: str, data: bytes) -> Answer:
        code, text = smtp.mail(self._sender.addr_spec, [f"size={len(data)}"] if smtp.has_extn("size") else [])
        if code != 250:
            return self._answer(code, text)
        done = self._taken.get(alert_id, set())
        wanted = [each.addr_spec for each in self._recipients if each.addr_spec not in done]
        replies = {}
        for address in wanted:
            replies[address] = smtp.rcpt(address)
            if replies[address][0] == 421:  # the server hangs up: nothing was handed over
                return self._answer(*replies[address])
        taken = [address for address, (code, _) in replies.items() if code in {250, 251}]
        if taken:
            answer = self._hand_over_data(smtp, data)
            if answer.fate is not Fate.SENT:
                return answer
        say_goodbye(smtp)
        return self._sum_up(alert_id, replies, done | set(taken))

    def _hand_over_data(self, smtp: smtplib.SMTP, data: bytes) -> Answer:
        code, text = smtp.docmd("DATA")
        if code != 354:
            return self._answer(code, text)
        try:
            code, text = hand_over(smtp, data)
        except (OSError, smtplib.SMTPException) as error:
            words = in_words(error, self._limits)
            return Answer(Fate.MAYBE_SENT, f"{self._server.host}: lost while handing over: {words}")
        return Answer(Fate.SENT, "") if code == 250 else self._answer(code, text)

    def _sum_up(self, alert_id: str, replies: dict[str, tuple[int, bytes]], taken: set[str]) -> Answer:
        failed = {address: reply for address, reply in replies.items() if address not in taken}
        put_off = [address for address, (code, _) in failed.items() if code < 500]
        words = "; ".join(f"{address}: {self._words(*reply)}" for address, reply in failed.items())
        score = f"taken for {len(taken)} of {len(self._recipients)}"
        if put_off:
            self._remember(alert_id, taken)
            return Answer(Fate.NOT_SENT, f"{score}; {words}")
        self._taken.pop(alert_id, None)
        if taken:
            return Answer(Fate.SENT, f"{score}; {words}" if failed else score)
        return Answer(Fate.REFUSED, words)

    def _remember(self, alert_id: str, taken: set[str]) -> None:
        if taken:
            self._taken[alert_id] = taken
            while len(self._taken) > REMEMBERED_ALERTS:
                self._taken.popitem(last=False)

    def _answer(self, code: int, text: bytes | str) -> Answer:
        # Anything outside 4yz and 5yz here is a server out of step: worth another try.
        fate = Fate.REFUSED if 500 <= code < 600 else Fate.NOT_SENT
        return Answer(fate, self._words(code, text))

    def _words(self, code: int, text: bytes | str) -> str:
        said = text.decode(errors="replace") if isinstance(text, bytes) else text
        return f"SMTP {code:03} {masked(said, self._secrets, 160)}".rstrip()


def _checked_address(text: str) -> Address:
    name, spec = parseaddr(text)
    try:
        address = Address(display_name=name, addr_spec=spec)
    except (ValueError, IndexError, MessageError):  # which one depends on the Python version
        address = Address()
    whole = bool(address.username and address.domain) and text.isprintable()
    if not whole or not spec.isascii() or " " in spec:
        raise SinkError(
            f"{one_line(text)!r} is not a mail address",
            'write "name@host.example" or "Name <name@host.example>"',
        )
    return address


def _checked_log_in(word: str | None) -> str | None:
    """A user or password that a mail server can be sent: RFC 4616, 2, takes UTF-8 without a zero."""
    try:
        sound = word is None or b"\0" not in word.encode()
    except UnicodeEncodeError:
        sound = False
    if not sound:
        raise SinkError(
            "the e-mail sink's user or password holds what no log-in can carry",
            "store it anew, as UTF-8 text",
        )
    return word


def _checked_security(security: Security, host: str) -> Security:
    if security not in {"tls", "starttls", "none"}:
        raise SinkError(f"{security!r} is no kind of security", 'use "tls", "starttls" or "none"')
    if security == "none" and not _is_loopback(host):
        raise SinkError(
            f"mail to {host} would go unencrypted", 'use "tls" or "starttls"; "none" is for this machine only'
        )
    return security


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _tls_context(ca_file: Path | None) -> ssl.SSLContext:
    try:
        return ssl.create_default_context(cafile=str(ca_file) if ca_file else None)
    except (OSError, ssl.SSLError) as error:
        raise SinkError(
            f"the certificate file {ca_file} cannot be used: {error}", "point ca_file to a PEM file"
        ) from error
