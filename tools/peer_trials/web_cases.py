"""The trials at a receiver of webhooks: what nginx takes, limits, redirects and refuses."""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Callable
from typing import Any

from PIL import Image

from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.body import BodyKind, plan_from
from dooryard.sinks.webhook import WebhookSink
from peer_trials.case import ALERT, NOW, PICTURE, Case, Seen
from peer_trials.nginx import PASSWORD, TOKEN, USER, Nginx
from peer_trials.process import free_port

WHOLE, SMALLER, NONE = "the whole picture", "a smaller picture", "no picture"
_BASIC: dict[str, Any] = {"basic": (USER, PASSWORD)}
_SENT, _NOT, _MAYBE, _NEVER = (
    SendOutcome.SENT,
    SendOutcome.NOT_SENT,
    SendOutcome.MAYBE_SENT,
    SendOutcome.REFUSED,
)


def sink(place: Nginx, path: str, server: str = "tls", scheme: str = "", **options: Any) -> WebhookSink:
    """A sink for one of the receiver's paths, sound unless `options` say otherwise."""
    scheme = scheme or ("http" if server == "plain" else "https")
    fields: dict[str, Any] = {
        "ca_file": place.authority.file,
        "read_timeout_s": 10.0,
        "now": NOW.wall.timestamp,
    }
    return WebhookSink("phone", place.url(path, server, scheme), **(fields | options))


def _sent(path: str, server: str = "tls", scheme: str = "", **options: Any) -> Callable[[Nginx], Seen]:
    """Send, and look at nothing but the answer."""
    return lambda place: Seen(sink(place, path, server, scheme, **options).send(ALERT, PICTURE))


def _came(place: Nginx, post: WebhookSink, picture: bytes = PICTURE) -> tuple[SendResult, list[bytes]]:
    """The answer, and the bodies that came with this one."""
    before = place.bodies().keys()
    answer = post.send(ALERT, picture)
    return answer, [body for path, body in sorted(place.bodies().items()) if path not in before]


def _arrives(
    path: str, shown: str = WHOLE, server: str = "tls", picture: bytes = PICTURE, **options: Any
) -> Callable[[Nginx], Seen]:
    """Send an event, and read what the receiver kept."""

    def run(place: Nginx) -> Seen:
        answer, bodies = _came(place, sink(place, path, server, **options), picture)
        return Seen(answer, _problem(bodies, shown, picture))

    return run


def _problem(bodies: list[bytes], shown: str, picture: bytes) -> str | None:
    if not bodies:
        return "no body came"
    data = json.loads(bodies[-1])["data"]
    if data["title"] != ALERT.title or data["text"] != ALERT.text:
        return "the words are not whole"
    came = base64.b64decode(data["picture"]["base64"]) if data["picture"] else None
    if came is None or shown is NONE:
        return None if came is None and shown is NONE else f"must come with {shown}"
    with Image.open(io.BytesIO(came)) as image:
        image.load()
    return None if (shown is WHOLE) == (came == picture) else f"the picture is not {shown}"


def _body(kind: BodyKind, sign: bytes, **plan: Any) -> Callable[[Nginx], Seen]:
    """A body of the owner's own arrives, and holds `sign`."""

    def run(place: Nginx) -> Seen:
        answer, bodies = _came(place, sink(place, "/take", body=plan_from(kind, **plan)))
        return Seen(answer, None if bodies and sign in bodies[-1] else "it is not in the body")

    return run


def _learned(place: Nginx) -> Seen:
    """Once refused for its size, the next one is small enough at once, and has a picture."""
    post = sink(place, "/small")
    post.send(ALERT, PICTURE)
    answer, bodies = _came(place, post)
    return Seen(answer, "too large again" if "413" in answer.text else _problem(bodies, SMALLER, PICTURE))


def _again_after(path: str, seconds: float) -> Callable[[Nginx], Seen]:
    def run(place: Nginx) -> Seen:
        answer = sink(place, path).send(ALERT, PICTURE)
        return Seen(answer, None if answer.retry_after_s == seconds else f"again: {answer.retry_after_s}")

    return run


def _repeated(place: Nginx) -> Seen:
    """The same alert once more has the same id, by which a receiver knows it."""
    post = sink(place, "/take")
    bodies = _came(place, post)[1]
    answer, again = _came(place, post)
    ids = {json.loads(body)["id"] for body in bodies + again}
    return Seen(answer, None if ids == {ALERT.id} else f"the ids are {ids}")


def _elsewhere(url: str) -> Callable[[Nginx], Seen]:
    def run(place: Nginx) -> Seen:
        post = WebhookSink("phone", url, ca_file=place.authority.file, now=NOW.wall.timestamp)
        return Seen(post.send(ALERT, PICTURE))

    return run


def _stopped(place: Nginx) -> Seen:
    return _elsewhere(f"https://127.0.0.1:{free_port()}/")(place)


def _secret_kept(place: Nginx) -> Seen:
    """Whatever it answers, the password and the address's path stand in no word of it."""
    answer = sink(place, "/closed", **_BASIC).send(ALERT, PICTURE)
    kept = PASSWORD not in answer.text and "/closed" not in answer.text
    return Seen(answer, None if kept else "a secret stands in its words")


def _large_picture() -> bytes:
    """Over a megabyte, and half as much again in base64 and JSON."""
    out = io.BytesIO()
    Image.effect_noise((1400, 1000), 60).save(out, "JPEG", quality=85)
    return out.getvalue()


_BOUND: dict[str, Any] = {
    "message_max_bytes": 1_000_000,
    "picture_max_bytes": 1_000_000,
}  # the box file's own
_NO_BOUND: dict[str, Any] = {"message_max_bytes": 30_000_000, "picture_max_bytes": 20_000_000}
_LOG_IN, _PATH, _FORM = "token or log-in is wrong", "path of the address", "another form"
_TROUBLE = "receiver is in trouble"

CASES: list[Case[Nginx]] = [
    Case("delivered, TLS", _SENT, None, _arrives("/take")),
    Case("delivered, plain HTTP on this machine", _SENT, None, _arrives("/take", server="plain")),
    Case("delivered, password beyond ASCII", _SENT, None, _arrives("/basic", **_BASIC)),
    Case("delivered, bearer token", _SENT, None, _arrives("/bearer", bearer=TOKEN)),
    Case("delivered, a body of JSON", _SENT, None,
         _body("json", ALERT.title.encode(), template='{"say": $title}')),
    Case("delivered, a form", _SENT, None, _body("form", b"say=A+trial", fields={"say": "$title"})),
    Case("delivered, multipart", _SENT, None, _body("multipart", PICTURE, fields={"say": "$title"})),
    Case("delivered, the picture itself", _SENT, None, _body("picture", PICTURE)),
    Case("delivered twice under one id", _SENT, None, _repeated),
    Case("limit of 1 MB, our own bound", _SENT, None,
         _arrives("/one-mb", SMALLER, picture=_large_picture(), **_BOUND)),
    Case("limit of 1 MB, found out by 413", _SENT, None,
         _arrives("/one-mb", SMALLER, picture=_large_picture(), **_NO_BOUND)),
    Case("smaller limit, found out by 413", _SENT, None, _arrives("/rather", SMALLER)),
    Case("far too large: at last without a picture", _SENT, None, _arrives("/small", NONE)),
    Case("too large: the next one is small at once", _SENT, None, _learned),
    Case("only words fit", _SENT, None, _arrives("/words-only", NONE)),
    Case("not even words fit (413)", _NEVER, "even the words alone", _sent("/tiny")),
    Case("wrong password (401)", _NEVER, _LOG_IN, _sent("/basic", basic=(USER, "not this"))),
    Case("no password (401)", _NEVER, _LOG_IN, _sent("/basic")),
    Case("wrong token (401)", _NEVER, _LOG_IN, _sent("/bearer", bearer="not-this")),
    Case("not allowed (403)", _NEVER, _LOG_IN, _secret_kept),
    Case("wrong path (404)", _NEVER, _PATH, _sent("/nowhere")),
    Case("a page, no receiver (405)", _NEVER, _PATH, _sent("/page.html")),
    Case("gone (410)", _NEVER, _PATH, _sent("/gone")),
    Case("form not liked (400)", _NEVER, _FORM, _sent("/bad")),
    Case("form not liked (415)", _NEVER, _FORM, _sent("/wrong-form")),
    Case("form not liked (422)", _NEVER, _FORM, _sent("/unprocessed")),
    Case("too many (429), Retry-After kept", _NOT, "too many messages", _again_after("/too-many", 120.0)),
    Case("busy (503), Retry-After kept", _NOT, _TROUBLE, _again_after("/busy", 90.0)),
    Case("broken (500)", _NOT, _TROUBLE, _sent("/broken")),
    Case("nothing behind it (502)", _NOT, _TROUBLE, _sent("/no-upstream")),
    Case("slow behind it (504)", _NOT, _TROUBLE, _sent("/slow-behind")),
    Case("disk full there (507)", _NOT, "disk there is full", _sent("/full")),
    Case("a network's log-in (511)", _NOT, "on the way wants a log-in", _sent("/portal")),
    Case("no answer in time", _MAYBE, "does not answer in time", _sent("/silent", read_timeout_s=1.0)),
    Case("hangs up without a word", _MAYBE, "port is the right one", _sent("/hang-up")),
    Case("redirected within (307)", _SENT, None, _arrives("/within")),
    Case("redirected within (308)", _SENT, None, _arrives("/within-308")),
    Case("redirected in a circle", _NEVER, "address that it now has", _sent("/round")),
    Case("moved elsewhere (301)", _NEVER, "address that it now has", _sent("/moved")),
    Case("moved elsewhere (308)", _NEVER, "address that it now has", _sent("/moved-308")),
    Case("sent to a log-in page (302)", _NOT, "log-in of the network", _sent("/log-in-page")),
    Case("certificate expired", _NOT, "has expired", _sent("/take", "expired")),
    Case("certificate of another name", _NOT, "name that the certificate is for",
         _sent("/take", "another's")),
    Case("authority not known here", _NOT, "as ca_file", _sent("/take", ca_file=None)),
    Case("client certificate wanted", _NEVER, "certificate of the box's own", _sent("/take", "client")),
    Case("plain HTTP to a TLS port", _NEVER, "address with https", _sent("/take", "tls", "http")),
    Case("TLS to a plain port", _NOT, "speaks no TLS", _sent("/take", "plain", "https")),
    Case("server stopped", _NOT, "nothing listens there", _stopped),
    # RFC 6761, 6.4: names that end so are never found.
    Case("server's name unknown", _NOT, "spelling of the host", _elsewhere("https://hooks.invalid/")),
]  # fmt: skip
