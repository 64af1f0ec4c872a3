"""The webhook sink: POSTs each alert as a signed event."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime
from http import HTTPStatus
from pathlib import Path
from urllib.parse import urljoin, urlsplit

from dooryard.errors import SinkError
from dooryard.records import Alert
from dooryard.sinks.base import Answer, Fate
from dooryard.sinks.event import CONTENT_TYPE, event_body
from dooryard.sinks.net import Limits
from dooryard.sinks.picture import fitted
from dooryard.sinks.post import NoReply, Reply, post
from dooryard.sinks.signing import signed_headers, signing_key

MOST_REDIRECTS = 3
# These say "later", not "never": RFC 9110 (408), RFC 8470 (425), RFC 6585 (429).
_LATER = {408, 425, 429}
_FOR_GOOD = {301, 308}
_SAME_METHOD = {307, 308}


class WebhookSink:
    """A receiver that takes HTTP POSTs.

    Outcomes: 2xx is sent, whatever the body says. 408, 425, 429 and 5xx are not sent, and `Retry-After` is
    passed on. Other 4xx are refused. A redirect by 307 or 308 within the same scheme, host and port is
    followed; 301 or 308 to elsewhere is refused; any other redirect counts as not sent, because a
    network that wants a log-in answers so for every address. No connection: not sent. A connection, but
    no status: maybe sent.
    """

    def __init__(
        self,
        name: str,
        url: str,
        *,
        secret: str | None = None,
        bearer: str | None = None,
        ca_file: Path | None = None,
        connect_timeout_s: float = 5.0,
        read_timeout_s: float = 15.0,
        total_timeout_s: float = 60.0,
        picture_max_bytes: int | None = None,
        source: str = "/dooryard",
        now: Callable[[], float],
    ) -> None:
        """`now` gives Unix seconds. Raises `SinkError` for an address, secret or file that can't work."""
        self.name = name
        self._url = _checked_url(url)
        self._key = signing_key(secret) if secret is not None else None
        self._bearer = _checked_bearer(bearer)
        self._ca_file = _checked_ca_file(ca_file)
        self._limits = Limits(connect_timeout_s, read_timeout_s, total_timeout_s)
        self._picture_max_bytes = picture_max_bytes
        self._source = source
        self._now = now

    def send(self, alert: Alert, picture: bytes | None) -> Answer:
        if picture is not None and self._picture_max_bytes is not None:
            picture = fitted(picture, self._picture_max_bytes)
        body = event_body(alert, picture, self._source)
        url = self._url
        for _ in range(MOST_REDIRECTS + 1):
            reply = post(url, body, self._headers(alert, body), self._limits, self._ca_file)
            if isinstance(reply, NoReply):
                host = urlsplit(url).hostname
                fate = Fate.MAYBE_SENT if reply.connected else Fate.NOT_SENT
                return Answer(fate, f"{host}: {reply.text}")
            target = _redirect_within(url, reply)
            if target is None:
                return classify(reply.status, reply.headers.get("Retry-After"), self._now())
            url = target
        return Answer(Fate.REFUSED, f"redirected more than {MOST_REDIRECTS} times")

    def close(self) -> None:
        """Nothing is kept open between two alerts."""

    def _headers(self, alert: Alert, body: bytes) -> dict[str, str]:
        headers = {"Content-Type": CONTENT_TYPE, "User-Agent": "dooryard"}
        if self._key is not None:
            headers |= signed_headers(self._key, alert.id, int(self._now()), body)
        if self._bearer is not None:
            headers["Authorization"] = f"Bearer {self._bearer}"
        return headers


def classify(status: int, retry_after: str | None, now_unix_s: float) -> Answer:
    """The outcome that a final HTTP status stands for."""
    text = f"HTTP {status} {_phrase(status)}".rstrip()
    if 200 <= status < 300:
        return Answer(Fate.SENT, text)
    if status in _LATER or status >= 500:
        return Answer(Fate.NOT_SENT, text, retry_after_s(retry_after, now_unix_s))
    if 300 <= status < 400:
        if status in _FOR_GOOD:
            return Answer(Fate.REFUSED, f"{text}: it has moved; put the new address in the box file")
        return Answer(Fate.NOT_SENT, f"{text}: redirected elsewhere, which is not followed")
    return Answer(Fate.REFUSED, text)


def retry_after_s(value: str | None, now_unix_s: float) -> float | None:
    """Seconds that a Retry-After header asks for, or None. RFC 9110, 10.2.3: seconds, or an HTTP date."""
    if value is None:
        return None
    if value.strip().isascii() and value.strip().isdigit():
        return float(value.strip()[:12])
    try:
        date = parsedate_to_datetime(value)
    except ValueError:
        return None  # not a date either: as if it were not there
    now = datetime.fromtimestamp(now_unix_s, UTC)
    return max(0.0, (date.replace(tzinfo=date.tzinfo or UTC) - now) / timedelta(seconds=1))


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


def _checked_url(url: str) -> str:
    # The address is not shown: its path may be the receiver's secret.
    remedy = 'write it as "https://host/path"'
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise SinkError("the webhook's address is malformed", remedy) from None
    if parts.scheme not in {"http", "https"} or not parts.hostname or port == 0:
        raise SinkError("the webhook's address is not an http or https address", remedy)
    if parts.username or parts.password:
        raise SinkError(
            "the webhook's address holds a password", "take it out, and name a bearer secret instead"
        )
    return url


def _checked_bearer(bearer: str | None) -> str | None:
    if bearer is not None and not (bearer.isascii() and bearer.isprintable() and " " not in bearer):
        raise SinkError(
            "the webhook's bearer token holds blanks or characters that no header can carry",
            "store the bare token, without the word Bearer",
        )
    return bearer


def _checked_ca_file(path: Path | None) -> str | None:
    if path is None:
        return None
    try:
        ssl.create_default_context(cafile=str(path))
    except (OSError, ssl.SSLError) as error:
        raise SinkError(
            f"the certificate file {path} cannot be used: {error}", "point ca_file to a PEM file"
        ) from error
    return str(path)
