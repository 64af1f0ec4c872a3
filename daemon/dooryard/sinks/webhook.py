"""The webhook sink: POSTs each alert, as a signed event or in a form of the owner's own."""

from __future__ import annotations

import base64
import ssl
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from pathlib import Path
from urllib.parse import urljoin, urlsplit

from dooryard.core.errors import SinkError
from dooryard.core.records import Alert
from dooryard.imaging.shrink import PICTURE_TRIES, SizeLimit, fitted
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.body import EVENT, BodyPlan, Headers, header_problem, made, shows_pictures
from dooryard.sinks.net import Limits
from dooryard.sinks.post import NoReply, Reply, post
from dooryard.sinks.signing import signed_headers, signing_key

MOST_REDIRECTS = 3
LONGEST_RETRY_AFTER_S = 7 * 86400.0
LONGEST_DATE = 64  # characters; an HTTP date has 29
# These say "later", not "never": RFC 9110 (408), RFC 8470 (425), RFC 6585 (429).
_LATER = {408, 425, 429}
_TOO_LARGE = 413  # RFC 9110, 15.5.14
_FOR_GOOD = {301, 308}
_SAME_METHOD = {307, 308}


class WebhookSink:
    """A receiver that takes HTTP POSTs.

    Outcomes: 2xx is sent, whatever the body says. 408, 425, 429 and 5xx are not sent, and `Retry-After` is
    passed on. Other 4xx are refused. A redirect by 307 or 308 within the same scheme, host and port is
    followed; 301 or 308 to elsewhere is refused; any other redirect counts as not sent, because a
    network that wants a log-in answers so for every address. No connection: not sent. A connection, but
    no status: maybe sent. After 413 it goes with a smaller picture, and in the end with none.
    """

    def __init__(
        self,
        name: str,
        url: str,
        *,
        secret: str | None = None,
        bearer: str | None = None,
        basic: tuple[str, str] | None = None,
        body: BodyPlan = EVENT,
        ca_file: Path | None = None,
        connect_timeout_s: float = 5.0,
        read_timeout_s: float = 15.0,
        total_timeout_s: float = 60.0,
        picture_max_bytes: int | None = None,
        message_max_bytes: int | None = None,
        source: str = "/dooryard",
        now: Callable[[], float],
    ) -> None:
        """`now` gives Unix seconds; `basic` is a user and a password.

        Raises `SinkError` for an address, secret, header or file that can't work.
        """
        self.name = name
        self._url = checked_url(url)
        self._key = signing_key(secret) if secret is not None else None
        self._authorization = _authorization(bearer, basic)
        self._plan = _checked_headers(body)
        self._ca_file = checked_ca_file(ca_file)
        self._limits = Limits(connect_timeout_s, read_timeout_s, total_timeout_s)
        self._picture_max_bytes = picture_max_bytes
        self._size = SizeLimit(message_max_bytes)
        self._shows_pictures = shows_pictures(self._plan)
        self._source = source
        self._now = now

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        shown, remark = picture, ""
        for refusals in range(1, PICTURE_TRIES + 2):
            body, headers, pictured = self._made(alert, shown)
            status, answer = self._posted(alert, body, headers)
            if status != _TOO_LARGE or not pictured:
                break
            self._size.refused(len(body))
            remark = f", with a smaller picture: HTTP 413 to {len(body)} bytes"
            shown = shown if refusals < PICTURE_TRIES else None
        if (
            answer.outcome is SendOutcome.SENT
            and picture is not None
            and not pictured
            and self._shows_pictures
        ):
            remark = f", without the picture, which was too large{remark and ': HTTP 413'}"
        return replace(answer, text=answer.text + remark) if answer.outcome is SendOutcome.SENT else answer

    def _made(self, alert: Alert, picture: bytes | None) -> tuple[bytes, Headers, bool]:
        """Body and headers within the limits, and whether a picture is in them; else they may be larger."""
        most_bytes = self._size.of(alert.id)

        def fits(jpeg: bytes) -> bool:
            small = self._picture_max_bytes is None or len(jpeg) <= self._picture_max_bytes
            return small and (most_bytes is None or len(self._body(alert, jpeg)[0]) <= most_bytes)

        shown = None if picture is None or not self._shows_pictures else fitted(picture, fits)
        return *self._body(alert, shown), shown is not None

    def _body(self, alert: Alert, picture: bytes | None) -> tuple[bytes, Headers]:
        return made(self._plan, alert, picture, self._source)

    def _posted(self, alert: Alert, body: bytes, headers: Headers) -> tuple[int | None, SendResult]:
        """The final status (None: there was none), and what it stands for."""
        headers = headers | self._own_headers(alert, body)
        url = self._url
        for _ in range(MOST_REDIRECTS + 1):
            reply = post(url, body, headers, self._limits, self._ca_file)
            if isinstance(reply, NoReply):
                if reply.broke_off:
                    self._size.broke_off(alert.id, len(body))
                host = urlsplit(url).hostname
                outcome = SendOutcome.MAYBE_SENT if reply.connected else SendOutcome.NOT_SENT
                return None, SendResult(outcome, f"{host}: {reply.text}")
            target = _redirect_within(url, reply)
            if target is None:
                answer = classify(reply.status, reply.headers.get("Retry-After"), self._now())
                hint = f": {reply.hint}" if reply.hint and answer.outcome is not SendOutcome.SENT else ""
                return reply.status, replace(answer, text=answer.text + hint)
            url = target
        return None, SendResult(SendOutcome.REFUSED, f"redirected more than {MOST_REDIRECTS} times")

    def close(self) -> None:
        """Nothing is kept open between two alerts."""

    @property
    def needs_clock(self) -> bool:
        """Whether a receiver may refuse what was sent with a wrong clock: signatures hold the time."""
        return self._key is not None

    def _own_headers(self, alert: Alert, body: bytes) -> Headers:
        headers: Headers = {"User-Agent": "dooryard"}
        if self._key is not None:
            headers |= signed_headers(self._key, alert.id, int(self._now()), body)
        if self._authorization is not None:
            headers["Authorization"] = self._authorization
        return headers


def classify(status: int, retry_after: str | None, now_unix_s: float) -> SendResult:
    """The outcome that a final HTTP status stands for."""
    text = f"HTTP {status} {_phrase(status)}".rstrip()
    if 200 <= status < 300:
        return SendResult(SendOutcome.SENT, text)
    if status in _LATER or status >= 500:
        return SendResult(SendOutcome.NOT_SENT, text, retry_after_s(retry_after, now_unix_s))
    if 300 <= status < 400:
        if status in _FOR_GOOD:
            return SendResult(
                SendOutcome.REFUSED, f"{text}: it has moved; put the new address in the box file"
            )
        return SendResult(SendOutcome.NOT_SENT, f"{text}: redirected elsewhere, which is not followed")
    return SendResult(SendOutcome.REFUSED, text)


def retry_after_s(value: str | None, now_unix_s: float) -> float | None:
    """Seconds that a Retry-After header asks for, at most `LONGEST_RETRY_AFTER_S`; None: it says nothing.

    RFC 9110, 10.2.3: seconds, or an HTTP date.
    """
    if value is None:
        return None
    asked = value.strip()
    if asked.isascii() and asked.isdigit():
        return min(float(asked[:12]), LONGEST_RETRY_AFTER_S)
    try:
        date = parsedate_to_datetime(asked[:LONGEST_DATE])
        left = date.replace(tzinfo=date.tzinfo or UTC) - datetime.fromtimestamp(now_unix_s, UTC)
    except (ValueError, TypeError, OverflowError, IndexError):
        return None  # not a date either: as if it were not there
    return min(max(0.0, left / timedelta(seconds=1)), LONGEST_RETRY_AFTER_S)


def _phrase(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return ""


def _redirect_within(url: str, reply: Reply) -> str | None:
    """Where a redirect leads that keeps method and origin, else None."""
    location = reply.headers.get("Location")
    if reply.status not in _SAME_METHOD or not location:
        return None
    try:
        target = urljoin(url, location)
        return target if _origin(target) == _origin(url) else None
    except ValueError:
        return None  # no address at all


def _origin(url: str) -> tuple[str, str | None, int | None]:
    parts = urlsplit(url)
    return parts.scheme, parts.hostname, parts.port or {"http": 80, "https": 443}.get(parts.scheme)


def checked_url(url: str, whose: str = "webhook") -> str:
    """`url` itself. Raises `SinkError` when no request can go there, or a password stands in it."""
    # The address is not shown: its path may be the receiver's secret.
    remedy = 'write it as "https://host/path"'
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise SinkError(f"the {whose}'s address is malformed", remedy) from None
    if parts.scheme not in {"http", "https"} or not parts.hostname or port == 0:
        raise SinkError(f"the {whose}'s address is not an http or https address", remedy)
    if parts.username or parts.password:
        raise SinkError(
            f"the {whose}'s address holds a password",
            "take it out, and name a bearer secret or a user instead",
        )
    return url


def _authorization(bearer: str | None, basic: tuple[str, str] | None) -> str | None:
    """The header's value. Sources: RFC 6750 (bearer), RFC 7617 (basic, in UTF-8)."""
    if bearer is not None and basic is not None:
        raise SinkError("the webhook has a bearer token and a user", "give one of the two")
    if basic is not None:
        user, password = basic
        if ":" in user or not (user + password).isprintable():
            raise SinkError(
                "the webhook's user or password holds what no header can carry",
                "use a user without a colon, and neither with line breaks",
            )
        return "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()
    if bearer is None:
        return None
    if not (bearer.isascii() and bearer.isprintable() and " " not in bearer):
        raise SinkError(
            "the webhook's bearer token holds blanks or characters that no header can carry",
            "store the bare token, without the word Bearer",
        )
    return f"Bearer {bearer}"


def _checked_headers(plan: BodyPlan) -> BodyPlan:
    for name in plan.headers:
        problem = header_problem(name)
        if problem:
            raise SinkError(problem, "take it out of the sink's headers")
    return plan


def checked_ca_file(path: Path | None) -> str | None:
    if path is None:
        return None
    try:
        ssl.create_default_context(cafile=str(path))
    except (OSError, ssl.SSLError) as error:
        raise SinkError(
            f"the certificate file {path} cannot be used: {error}", "point ca_file to a PEM file"
        ) from error
    return str(path)
