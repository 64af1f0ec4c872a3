"""A session with a mail server, bounded in what the server may say.

Sources: RFC 5321, 4.5.3.1.5 (a reply's line has at most 512 bytes); RFC 4954 (AUTH), RFC 4616 (PLAIN, in
UTF-8), RFC 2195 (CRAM-MD5); RFC 1870 (SIZE); RFC 3463 (the numbers such as 5.3.4).
"""

from __future__ import annotations

import base64
import hmac
import re
import smtplib
import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from dooryard.sinks.net import Limits, PeerError, shut

LONGEST_LINE_BYTES = 4096
LONGEST_REPLY_BYTES = 64 * 1024
MOST_LINES = 200
_LOGGED_IN = {235, 503}  # 503: it says that we are logged in already
_TOO_LARGE = {523, 552}
_TOO_LARGE_DETAIL = re.compile(rb"5\.(?:3\.4|2\.3)\b")


class ReplyError(PeerError, smtplib.SMTPException):
    """What answers there does not answer as a mail server does: another attempt may find a sound one."""


class BoundedSMTP(smtplib.SMTP):
    """A session in which no reply can take more than its share of memory."""

    def getreply(self) -> tuple[int, bytes]:
        """The next reply. Raises `ReplyError` for one without end or without a code."""
        texts: list[bytes] = []
        left = LONGEST_REPLY_BYTES
        for _ in range(MOST_LINES):
            line = self._reply_line(min(left, LONGEST_LINE_BYTES))
            left -= len(line)
            texts.append(line[4:].strip())
            if not re.match(rb"\d{3}(?:[ -]|\r?\n)", line):
                self.close()
                raise ReplyError("what answers there does not speak SMTP")
            if line[3:4] != b"-":
                return int(line[:3]), b"\n".join(texts)
        self.close()
        raise ReplyError("its answer has no end")

    def _reply_line(self, longest: int) -> bytes:
        if self.file is None:
            assert self.sock is not None  # a reply is asked for on a connection only
            self.file = self.sock.makefile("rb")
        try:
            line = bytes(self.file.readline(longest + 1))
        except OSError as error:
            self.close()
            raise smtplib.SMTPServerDisconnected("lost while waiting for a reply") from error
        if not line:
            self.close()
            raise smtplib.SMTPServerDisconnected("closed")
        if len(line) > longest:
            self.close()
            raise ReplyError("its answer has no end")
        return line


class BoundedTLS(BoundedSMTP, smtplib.SMTP_SSL):
    """The same, encrypted from the first byte."""


@dataclass(frozen=True, slots=True)
class Server:
    """Where to, how encrypted ("tls", "starttls" or "none"), and how to log in (None: not at all)."""

    host: str
    port: int
    security: str
    tls: ssl.SSLContext
    user: str | None
    password: str | None


@contextmanager
def session(server: Server, limits: Limits) -> Iterator[BoundedSMTP]:
    """A session that is greeted, encrypted and logged in, and cut when it takes too long.

    Raises OSError or `smtplib.SMTPException`.
    """
    smtp = _new_session(server, limits.connect_s)
    timer = threading.Timer(limits.total_s, _cut, (smtp,))
    timer.daemon = True
    timer.start()
    try:
        code, text = _greeting(smtp, server)
        if code != 220:
            raise smtplib.SMTPConnectError(code, text)
        assert smtp.sock is not None  # it has just connected
        smtp.sock.settimeout(limits.read_s)
        if server.security == "starttls":
            smtp.starttls(context=server.tls)
        smtp.ehlo_or_helo_if_needed()
        if server.user is not None:
            log_in(smtp, server.user, server.password or "")
        yield smtp
    finally:
        timer.cancel()
        smtp.close()


def log_in(smtp: smtplib.SMTP, user: str, password: str) -> None:
    """Log in by the first way that both sides know. Raises `smtplib.SMTPException`."""
    ways = {"PLAIN": _plain, "LOGIN": _login, "CRAM-MD5": _cram_md5}
    offered = smtp.esmtp_features.get("auth", "").upper().split()
    shared = [way for way in ways if way in offered]
    if not shared:
        raise smtplib.SMTPNotSupportedError("no way to log in that both sides know")
    reply = (0, b"")
    for way in shared:
        reply = ways[way](smtp, user.encode(), password.encode())
        if reply[0] in _LOGGED_IN:
            return
        if reply[0] == 535 or reply[0] < 500:
            break  # not a matter of the way: the server does not take this user now
    raise smtplib.SMTPAuthenticationError(*reply)


def plain_words(user: bytes, password: bytes) -> str:
    """What PLAIN sends (RFC 4616, 2), in base64."""
    return _base64(b"\0" + user + b"\0" + password)


def hand_over(smtp: smtplib.SMTP, data: bytes) -> tuple[int, bytes]:
    """Send the message `data` (its lines end in CR LF), once DATA was granted; return the server's reply."""
    data = data if data.endswith(b"\r\n") else data + b"\r\n"
    smtp.send(re.sub(rb"^\.", b"..", data, flags=re.MULTILINE) + b".\r\n")  # RFC 5321, 4.5.2
    return smtp.getreply()


def size_limit(smtp: smtplib.SMTP) -> int | None:
    """The bytes that the server said a message may have; None when it named no limit (RFC 1870, 3)."""
    said = smtp.esmtp_features.get("size", "").strip()
    limit = int(said) if said.isascii() and said.isdigit() and len(said) <= 15 else 0
    return limit or None


def too_large(code: int, text: bytes) -> bool:
    """Whether a reply says that a smaller message might be taken."""
    return code in _TOO_LARGE or (500 <= code < 600 and _TOO_LARGE_DETAIL.match(text) is not None)


def say_goodbye(smtp: smtplib.SMTP) -> None:
    try:
        smtp.quit()
    except (OSError, smtplib.SMTPException):
        return  # the message is the server's by now; how it hangs up changes nothing


def _greeting(smtp: BoundedSMTP, server: Server) -> tuple[int, bytes]:
    """Connect. Raises `ReplyError` when nobody greets: so a port does that waits for TLS to begin."""
    try:
        return smtp.connect(server.host, server.port)
    except smtplib.SMTPServerDisconnected as error:
        if server.security != "tls" and isinstance(error.__cause__, TimeoutError):
            raise ReplyError("connected, but no greeting in time") from error
        raise


def _new_session(server: Server, timeout_s: float) -> BoundedSMTP:
    smtp = (
        BoundedTLS(timeout=timeout_s, context=server.tls)
        if server.security == "tls"
        else BoundedSMTP(timeout=timeout_s)
    )
    # The library sets this only when it connects within its constructor, where it can't be cut short;
    # it checks the certificate against it.
    smtp._host = server.host  # type: ignore[attr-defined]  # noqa: SLF001
    return smtp


def _cut(smtp: smtplib.SMTP) -> None:
    if smtp.sock is not None:
        shut(smtp.sock)


def _plain(smtp: smtplib.SMTP, user: bytes, password: bytes) -> tuple[int, bytes]:
    return smtp.docmd("AUTH", f"PLAIN {plain_words(user, password)}")


def _login(smtp: smtplib.SMTP, user: bytes, password: bytes) -> tuple[int, bytes]:
    reply = smtp.docmd("AUTH", f"LOGIN {_base64(user)}")
    # Some servers ask for the user again.
    for word in (password, None) if reply[1].strip() != b"VXNlcm5hbWU6" else (user, password):
        if reply[0] != 334 or word is None:
            break
        reply = smtp.docmd(_base64(word))
    return reply


def _cram_md5(smtp: smtplib.SMTP, user: bytes, password: bytes) -> tuple[int, bytes]:
    code, challenge = smtp.docmd("AUTH", "CRAM-MD5")
    if code != 334:
        return code, challenge
    try:
        digest = hmac.new(password, base64.b64decode(challenge), "md5").hexdigest()
    except ValueError:
        raise ReplyError("what answers there does not speak SMTP") from None
    return smtp.docmd(_base64(user + b" " + digest.encode()))


def _base64(data: bytes) -> str:
    return base64.b64encode(data).decode()
