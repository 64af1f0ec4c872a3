"""`dooryard try-sinks`: one message with a picture to each sink, and what to do where it did not arrive."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TextIO

from PIL import Image, ImageDraw

from dooryard.core.errors import EXIT_OK, SinkError
from dooryard.core.ids import id_for
from dooryard.core.records import Alert, Moment
from dooryard.sinks.base import SendOutcome, SendResult, Sink
from dooryard.sinks.remedies import remedy_for


@dataclass(frozen=True, slots=True)
class Trial:
    """How it went with one sink."""

    sink: str
    answer: SendResult
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
        answer = sent(sink, alert, picture)
        sink.close()
        trials.append(Trial(sink.name, answer, remedy_for(answer)))
        print("\n".join(lines_of(trials[-1])), file=out, flush=True)
    if not trials:
        print("The box file names no sink. Add a [[sink]] table to be sent anything.", file=out)
    return EXIT_OK if all(trial.remedy is None for trial in trials) else SinkError.exit_code


def sent(sink: Sink, alert: Alert, picture: bytes) -> SendResult:
    """What the sink answers, whatever happens within it."""
    try:
        return sink.send(alert, picture)
    except Exception as error:  # noqa: BLE001  (a faulty sink must not keep the others from being tried)
        # Only the kind: an exception's text may carry an address or a secret.
        return SendResult(SendOutcome.NOT_SENT, f"fault in the sink: {type(error).__name__}")


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


def lines_of(trial: Trial) -> Sequence[str]:
    """What is printed of one trial."""
    lines = [f"{trial.sink}: {trial.answer.outcome.value} ({trial.answer.text})"]
    return lines if trial.remedy is None else [*lines, f"  to do: {trial.remedy}"]
