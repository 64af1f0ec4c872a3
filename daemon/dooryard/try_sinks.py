"""`dooryard try-sinks`: one message with a picture to each sink, and what to do where it did not arrive."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TextIO

from PIL import Image, ImageDraw

from dooryard.errors import EXIT_OK, SinkError
from dooryard.ids import id_for
from dooryard.records import Alert, Moment
from dooryard.sinks.base import Answer, Fate, Sink

# What an answer may hold, and what is then the likely remedy; the first that fits counts.
REMEDIES: tuple[tuple[tuple[str, ...], str], ...] = (
    (("certificate has expired",), "the receiver's certificate has expired: renew it there"),
    (
        ("certificate is not yet valid",),
        "the box's clock is likely wrong: wait until it is set, and try again",
    ),
    (
        ("hostname mismatch", "address mismatch"),
        "use the name that the certificate is for, not another or a number",
    ),
    (
        ("self-signed", "self signed", "local issuer", "certificate was not accepted"),
        "name the PEM file of the receiver's authority as ca_file",
    ),
    (
        ("does not offer",),
        'the server knows no such encryption or log-in there: try security "tls", or its other port',
    ),
    (("TLS failed",), "the port speaks no TLS, or other TLS: mail wants 465 for tls and 587 for starttls"),
    (("name was not found",), "check the spelling of the host, and that the network's name server answers"),
    (("connection was refused",), "nothing listens there: check the port, and that the receiver runs"),
    (
        ("no connection within", "no connection in time"),
        "something on the way blocks it: check host and port (many providers block port 25: use 465 or 587)",
    ),
    (("unreachable", "no route"), "the box has no way into that network: check Wi-Fi and router"),
    (
        ("no answer within", "no answer in time", "no data for too long"),
        "it connects but does not answer: try again, or raise the sink's timeout",
    ),
    (
        ("Permission denied",),
        "the host does not know the key: put its public half into authorized_keys there",
    ),
    (("Host key verification failed",), "the host's own key is not in known_hosts: add it with ssh-keyscan"),
    (
        ("fault in the sink",),
        "this should not happen: please report it with the log",
    ),
    (("does not speak SMTP",), "another program listens on that port: check host, port and security"),
    (("answer has no end",), "no sound mail server answers there: check host and port"),
    (("is not installed",), "install it: apt install rsync"),
    (("journal is not built",), "build the journal first: dooryard journal"),
    (
        ("HTTP 401", "HTTP 403"),
        "the secret, token or log-in is wrong, or lacks a right there",
    ),
    (
        ("HTTP 404", "HTTP 410", "HTTP 405"),
        "the path of the address is wrong: copy it anew from the receiver",
    ),
    (("HTTP 413",), "the picture is too large for it: set picture_max_bytes lower"),
    (("HTTP 400", "HTTP 415", "HTTP 422"), "it wants another form: see the sink's body, fields and headers"),
    (("HTTP 429",), "it has had too many messages: wait, and set a lower rate for this sink"),
    (("has moved", "redirected"), "put the address that it now has into the box file"),
    (("HTTP 5",), "the receiver is in trouble: look there, or try again later"),
    (
        ("SMTP 535", "SMTP 534", "SMTP 530"),
        "the user or the password is wrong; some servers want a password made for a program",
    ),
    (("SMTP 552", "SMTP 523"), "the message is too large for it: set picture_max_bytes lower"),
    (("SMTP 55", "SMTP 501", "SMTP 521"), "it does not take this sender or recipient: check both addresses"),
    (("SMTP 4",), "it asks to come again later, as many do with strangers: the outbox does so by itself"),
    (
        ("broke off", "reset the connection", "connection was lost"),
        "check that the port is the right one for this kind of sink",
    ),
)


@dataclass(frozen=True, slots=True)
class Trial:
    """How it went with one sink."""

    sink: str
    answer: Answer
    remedy: str | None  # None: it arrived


def try_sinks(
    sinks: Iterable[Sink], box: str, now: Moment, salt: bytes, out: TextIO, *, clock_set: bool
) -> int:
    """Send one message to each sink, by turns; print each answer as it comes.

    `salt` (16 random bytes) makes the message's id. Returns 0 when all took it, else `SinkError`'s code.
    """
    alert = trial_alert(box, now, salt, clock_set=clock_set)
    picture = trial_picture(f"{box}  {now.wall:%Y-%m-%d %H:%M} UTC")
    trials = []
    for sink in sinks:
        answer = _sent(sink, alert, picture)
        sink.close()
        trials.append(Trial(sink.name, answer, remedy_for(answer)))
        print("\n".join(lines_of(trials[-1])), file=out, flush=True)
    if not trials:
        print("The box file names no sink. Add a [[sink]] table to be told anything.", file=out)
    return EXIT_OK if all(trial.remedy is None for trial in trials) else SinkError.exit_code


def _sent(sink: Sink, alert: Alert, picture: bytes) -> Answer:
    try:
        return sink.send(alert, picture)
    except Exception as error:  # noqa: BLE001  (a faulty sink must not keep the others from being tried)
        # Only the kind: an exception's text may carry an address or a secret.
        return Answer(Fate.NOT_SENT, f"fault in the sink: {type(error).__name__}")


def trial_alert(box: str, now: Moment, salt: bytes, *, clock_set: bool) -> Alert:
    """The message that is sent."""
    return Alert(
        id=id_for(salt, 0, now.wall),
        kind="box",
        wall=now.wall,
        clock_set=clock_set,
        title=f"A trial message from {box}",
        text=f"Somebody asked {box} to try its sinks. If you see a picture with a grey bar, "
        "pictures arrive as well.",
        sinks=(),
    )


def trial_picture(words: str) -> bytes:
    """A JPEG: a sky, a lawn, a bar, and `words` (as far as the built-in font has their letters).

    It has the measures of the largest picture that a sink is ever given, a sheet of late alerts, and about
    its bytes: grain stands in for leaves, so that a receiver's limit shows now and not with the first visit.
    """
    image = Image.new("RGB", (1310, 990), (176, 200, 214))
    draw = ImageDraw.Draw(image)
    draw.rectangle((0, 680, 1310, 990), fill=(96, 128, 72))
    grain = Image.effect_noise(image.size, 40).convert("RGB")
    image = Image.blend(image, grain, 0.5)
    draw = ImageDraw.Draw(image)
    draw.rectangle((640, 240, 680, 740), fill=(120, 120, 120))
    # The built-in font has one size, which is small here.
    line = Image.new("L", (420, 16))
    ImageDraw.Draw(line).text((0, 2), words.encode("latin-1", "replace").decode("latin-1"), fill=255)
    line = line.resize((1260, 48))
    image.paste((20, 20, 20), (20, 20, 20 + line.width, 20 + line.height), line)
    out = io.BytesIO()
    image.save(out, "JPEG", quality=82)
    return out.getvalue()


def remedy_for(answer: Answer) -> str | None:
    """The likely remedy; None when the message was taken by all."""
    if answer.fate is Fate.SENT:
        return None
    text = answer.text.lower()
    for signs, remedy in REMEDIES:
        if any(sign.lower() in text for sign in signs):
            return remedy
    return "see the receiver's own log for this minute"


def lines_of(trial: Trial) -> Sequence[str]:
    """What is printed of one trial."""
    lines = [f"{trial.sink}: {trial.answer.fate.value} ({trial.answer.text})"]
    return lines if trial.remedy is None else [*lines, f"  to do: {trial.remedy}"]
