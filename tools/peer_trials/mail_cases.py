"""The trials at a mail server: what Postfix takes, puts off and refuses."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import replace
from email.message import EmailMessage
from itertools import count
from typing import Any

from PIL import Image

from dooryard.sinks.base import SendOutcome
from dooryard.sinks.email import EmailSink
from peer_trials.case import ALERT, NOW, PICTURE, Case, Seen
from peer_trials.postfix import DOMAIN, PASSWORD, USER, Postfix
from peer_trials.process import free_port

ROBIN = f"robin@{DOMAIN}"
WREN = f"wren@{DOMAIN}"
WHOLE, SMALLER, NONE = "the whole picture", "a smaller picture", "no picture"
_LOG_IN: dict[str, Any] = {"user": USER, "password": PASSWORD}
_numbers = count(1)  # so that each letter can be told from the others


def sink(place: Postfix, door: str, *to: str, port: int | None = None, **options: Any) -> EmailSink:
    """A sink for one of the server's doors, sound unless `options` say otherwise."""
    fields: dict[str, Any] = {
        "sender": f"Alder Row <{USER}>",
        "recipients": to or [ROBIN],
        "security": "none",
        "ca_file": place.authority.file,
        "read_timeout_s": 10.0,
        "now": NOW.wall.timestamp,
    }
    return EmailSink("post", "127.0.0.1", port or place.ports[door], **(fields | options))


def _sent(door: str, *to: str, **options: Any) -> Callable[[Postfix], Seen]:
    """Send, and look at nothing but the answer."""
    return lambda place: Seen(sink(place, door, *to, **options).send(ALERT, PICTURE))


def _arrives(
    door: str, shown: str = WHOLE, *to: str, who: tuple[str, ...] = ("robin",), **options: Any
) -> Callable[[Postfix], Seen]:
    """Send under a title of its own, and open the mailboxes."""

    def run(place: Postfix) -> Seen:
        alert = replace(ALERT, title=f"Trial {next(_numbers)}")
        answer = sink(place, door, *to, **options).send(alert, PICTURE)
        problems = [_problem(place.arrived(name, alert.title), shown) for name in who]
        return Seen(answer, next((each for each in problems if each), None))

    return run


def _problem(letter: EmailMessage | None, shown: str) -> str | None:
    if letter is None:
        return "no letter came"
    words = letter.get_body(("plain",))
    if words is None or ALERT.text[:40] not in " ".join(words.get_content().split()):
        return "the words are missing"
    pictures = [part.get_content() for part in letter.walk() if part.get_content_type() == "image/jpeg"]
    if (shown is NONE) != (not pictures):
        return f"{len(pictures)} pictures came, must be {shown}"
    if not pictures:
        return None
    with Image.open(io.BytesIO(pictures[0])) as image:
        image.load()
    return None if (shown is WHOLE) == (pictures[0] == PICTURE) else f"the picture is not {shown}"


def _second_time(place: Postfix) -> Seen:
    """As the outbox does it: the same message once more."""
    post = sink(place, "greylist", f"wren@{DOMAIN}")
    first = post.send(ALERT, PICTURE)
    again = post.send(ALERT, PICTURE)
    return Seen(
        again,
        None if first.outcome is SendOutcome.NOT_SENT else f"the first attempt was {first.outcome.value}",
    )


def _learned(place: Postfix) -> Seen:
    """Once refused for its size, the next one is small enough at once, and has a picture."""
    post = sink(place, "small, unannounced")
    post.send(ALERT, PICTURE)
    alert = replace(ALERT, title="The next one")
    answer = post.send(alert, PICTURE)
    again = "too large" in answer.text
    return Seen(
        answer, "too large again" if again else _problem(place.arrived("robin", alert.title), SMALLER)
    )


def _each(place: Postfix, other: str, outcome: SendOutcome) -> Seen:
    """Two recipients, of whom `other` is not served."""
    alert = replace(ALERT, title=f"For two, one of them {other}")
    answer = sink(place, "plain", ROBIN, other).send(alert, PICTURE)
    problem = _problem(place.arrived("robin", alert.title), WHOLE)
    if answer.each != {ROBIN: SendOutcome.SENT, other: outcome}:
        problem = f"each: {dict(answer.each)}"
    if "picture" in answer.text:
        problem = "robin has the whole picture"
    return Seen(answer, problem)


def _only_the_other(place: Postfix) -> Seen:
    """The one who was put off is asked alone later; the other gets nothing twice."""
    title = "For one of two, later"
    answer = sink(place, "plain", ROBIN, WREN).send_to(replace(ALERT, title=title), PICTURE, [WREN])
    came = place.arrived("wren", title)
    twice = [each for each in place.letters("robin") if each["Subject"] == title]
    return Seen(answer, "robin got it as well" if twice else _problem(came, WHOLE))


def _from_line(place: Postfix) -> Seen:
    text = "A first line.\nFrom here on it rains.\n.\n..\nThe last."
    alert = replace(ALERT, title="A line that begins with From", text=text)
    answer = sink(place, "plain").send(alert, None)
    letter = place.arrived("robin", alert.title)
    words = letter.get_body(("plain",)) if letter else None
    lines = words.get_content() if words else ""
    raw_line = letter is not None and b"\nFrom here" in letter.as_bytes()
    if raw_line:
        return Seen(answer, "a store that quotes such lines would change it")
    return Seen(answer, None if lines.startswith(f"{text}\n") else f"it came as {lines[:80]!r}")


def _no_server(**options: Any) -> Callable[[Postfix], Seen]:
    return lambda place: Seen(sink(place, "plain", port=free_port(), **options).send(ALERT, PICTURE))


def _unresolved(place: Postfix) -> Seen:
    # RFC 6761, 6.4: names that end so are never found.
    post = EmailSink(
        "post", "mail.invalid", 465, sender=USER, recipients=[ROBIN], ca_file=place.authority.file,
        now=NOW.wall.timestamp,
    )  # fmt: skip
    return Seen(post.send(ALERT, PICTURE))


_WRONG: dict[str, Any] = {"user": USER, "password": "not this"}
_WRONG_TOO: dict[str, Any] = {"user": USER, "password": PASSWORD + "ß"}
_NO_TEXT: dict[str, Any] = {"user": USER, "password": "half a letter: \udce4"}
_SENT, _NOT, _NEVER = SendOutcome.SENT, SendOutcome.NOT_SENT, SendOutcome.REFUSED

CASES: list[Case[Postfix]] = [
    Case("delivered, unencrypted on this machine", _SENT, None, _arrives("plain")),
    Case("delivered, STARTTLS, password beyond ASCII", _SENT, None,
         _arrives("starttls", security="starttls", **_LOG_IN)),
    Case("delivered, TLS, password beyond ASCII", _SENT, None, _arrives("tls", security="tls", **_LOG_IN)),
    Case("delivered, CRAM-MD5 only", _SENT, None, _arrives("log-in by CRAM-MD5", **_LOG_IN)),
    Case("delivered, LOGIN only", _SENT, None, _arrives("log-in by LOGIN", **_LOG_IN)),
    Case("delivered to two", _SENT, None, _arrives("plain", WHOLE, ROBIN, WREN, who=("robin", "wren"))),
    Case("a line that begins with From, and dots", _SENT, None, _from_line),
    Case("too large by the announced SIZE", _SENT, None, _arrives("small", SMALLER)),
    Case("too large, found out by 552", _SENT, None, _arrives("rather small, unannounced", SMALLER)),
    Case("far too large: at last without a picture", _SENT, None, _arrives("small, unannounced", NONE)),
    Case("too large: the next one is small at once", _SENT, None, _learned),
    Case("only words fit", _SENT, None, _arrives("words only", NONE)),
    Case("not even words fit", _NEVER, "even the words alone", _sent("tiny")),
    Case("one of two mailboxes full (452)", _NOT, "mailbox is full",
         lambda place: _each(place, f"full@{DOMAIN}", _NOT)),
    Case("one of two over quota (552 5.2.2)", _SENT, None,
         lambda place: _each(place, f"quota@{DOMAIN}", _NEVER)),
    Case("one of two unknown (550)", _SENT, None, lambda place: _each(place, f"nobody@{DOMAIN}", _NEVER)),
    Case("one of two busy (450)", _NOT, "outbox does so by itself",
         lambda place: _each(place, f"later@{DOMAIN}", _NOT)),
    Case("the one who was put off is asked alone", _SENT, None, _only_the_other),
    Case("the only mailbox over quota", _NEVER, "mailbox is full", _sent("plain", f"quota@{DOMAIN}")),
    Case("greylisted (450)", _NOT, "outbox does so by itself", _sent("greylist")),
    Case("greylisted, the second attempt", _SENT, None, _second_time),
    Case("wrong password", _NEVER, "password is wrong", _sent("starttls", security="starttls", **_WRONG)),
    Case("wrong password beyond ASCII", _NEVER, "password is wrong",
         _sent("tls", security="tls", **_WRONG_TOO)),
    Case("a password that no log-in can carry", _NEVER, "store it again",
         _sent("tls", security="tls", **_NO_TEXT)),
    Case("log-in wanted, none given", _NEVER, "give user and password",
         _sent("log-in", "robin@elsewhere.example")),
    Case("log-in given, none offered", _NOT, "no such encryption or log-in", _sent("plain", **_LOG_IN)),
    Case("recipient unknown", _NEVER, "check both addresses", _sent("plain", f"nobody@{DOMAIN}")),
    Case("sender not owned by the user", _NEVER, "check both addresses", _sent("own senders", **_LOG_IN)),
    Case("taken for an unwanted message", _NEVER, "unwanted one", _sent("no strange words")),
    Case("disk full there (452 4.3.1)", _NOT, "disk there is full", _sent("full disk")),
    Case("only encrypted taken (530)", _NEVER, 'security to "starttls"', _sent("starttls")),
    Case("STARTTLS not offered", _NOT, "no such encryption", _sent("plain", security="starttls")),
    Case("TLS to a port without", _NOT, "speaks no TLS", _sent("plain", security="tls")),
    Case("plain words to a TLS port", _NOT, 'try security "tls"', _sent("tls", connect_timeout_s=1.0)),
    Case("STARTTLS to a TLS port", _NOT, 'try security "tls"',
         _sent("tls", security="starttls", connect_timeout_s=1.0)),
    Case("certificate expired, TLS", _NOT, "has expired", _sent("tls, expired", security="tls")),
    Case("certificate expired, STARTTLS", _NOT, "has expired",
         _sent("starttls, expired", security="starttls")),
    Case("certificate of another name", _NOT, "name that the certificate is for",
         _sent("tls, another's", security="tls")),
    Case("authority not known here", _NOT, "as ca_file", _sent("tls", security="tls", ca_file=None)),
    Case("client certificate wanted", _NOT, "certificate of the box's own",
         _sent("client certificate", security="tls")),
    Case("server stopped", _NOT, "nothing listens there", _no_server()),
    Case("server's name unknown", _NOT, "spelling of the host", _unresolved),
]  # fmt: skip
