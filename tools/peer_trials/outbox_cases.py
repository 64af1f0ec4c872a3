"""The trials of the outbox at a mail server: one who is full, strict or away keeps nothing from the others.

Time is made up, so hours of waiting pass at once; the server is real.
"""

from __future__ import annotations

import io
import logging
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path

from PIL import Image

from dooryard.core.clock import FakeClock
from dooryard.core.ids import id_for
from dooryard.core.records import Box, Clause, Decision, Outcome, Visit, Visitor
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import VISIT_PICTURE, Store
from dooryard.outbox.worker import DeliveryWorker
from dooryard.sinks.base import SendOutcome, SendResult, Sink
from peer_trials.case import ALERT, PICTURE, Case, Seen
from peer_trials.mail_cases import ROBIN, WREN, sink
from peer_trials.postfix import DOMAIN, PASSWORD, USER, Postfix
from peer_trials.process import free_port

_LOG = logging.getLogger("dooryard.delivery")
_ALERTS = 6


def _shot() -> bytes:
    """The trial picture, smaller: to scale a large one at each attempt takes its time."""
    out = io.BytesIO()
    with Image.open(io.BytesIO(PICTURE)) as image:
        image.resize((800, 600), Image.Resampling.NEAREST).save(out, "JPEG", quality=82)
    return out.getvalue()


_SHOT = _shot()


@dataclass
class Box6:
    """A box with six alerts to tell, each with a picture, under titles of this trial's own."""

    store: Store
    clock: FakeClock
    titles: list[str]

    def worker(self, to: Sink) -> DeliveryWorker:
        return DeliveryWorker(self.store, to, self.clock, _LOG, rules=RetryRules(), jitter=lambda: 1.0)

    def passes(self, seconds: float, *workers: DeliveryWorker) -> None:
        """Let time pass: each worker makes its attempts as they become due."""
        end_s = self.clock.now().mono_s + seconds
        while True:
            waits = [wait_s for each in workers if (wait_s := each.tick()) is not None]
            now_s = self.clock.now().mono_s
            if not waits or now_s + min(waits) > end_s:
                break
            self.clock.advance(min(waits))
        self.clock.advance(max(0.0, end_s - self.clock.now().mono_s))

    def seen(self, name: str, *problems: str | None) -> Seen:
        """As an answer: what the store says became of the six at the sink `name`."""
        counts = self.store.counts().get(name, {})
        outcome = SendOutcome.SENT if counts == {"sent": _ALERTS} else SendOutcome.NOT_SENT
        said = [f"{number} {state}" for state, number in sorted(counts.items())]
        waiting = sorted(self.store.pending(name), key=lambda each: each.attempts)
        told = "; ".join(said + [each.answer for each in waiting[-1:]])
        return Seen(SendResult(outcome, told), next((each for each in problems if each), None))


@contextmanager
def _box(label: str, *sinks: str) -> Iterator[Box6]:
    with tempfile.TemporaryDirectory(prefix="dooryard-outbox-") as made:
        clock = FakeClock()
        store = Store.open(Path(made) / "state", clock)
        try:
            titles = [_come_by(store, clock, label, number, sinks) for number in range(_ALERTS)]
            yield Box6(store, clock, titles)
        finally:
            store.close()


def _come_by(store: Store, clock: FakeClock, label: str, number: int, sinks: tuple[str, ...]) -> str:
    """A visit with a picture, and an alert about it."""
    now = clock.advance(20.0)
    visit = Visit(
        id=id_for(label.encode().ljust(16), number, now.wall), start=now, last_seen=now,
        visitor=Visitor("bird", 0.84, "house finch", "Haemorhous mexicanus"), sightings=7,
        box=Box(0.25, 0.5, 0.375, 0.625), best=None, best_score=1.5, end=None,
    )  # fmt: skip
    alert = replace(
        ALERT, id=id_for(label.encode().ljust(16), 100 + number, now.wall), kind="visit", wall=now.wall,
        title=f"{label} {number}", sinks=sinks, visit=visit.id, picture=VISIT_PICTURE,
    )  # fmt: skip
    decision = Decision(visit.id, Outcome.TELL, sinks, "any bird", (Clause("sure", True, "84 %"),), "A bird.")
    store.record_visit(visit, _SHOT, decision, [alert])
    return alert.title


def _lacking(place: Postfix, person: str, titles: list[str]) -> str | None:
    missing = [title for title in titles if place.arrived(person, title) is None]
    return f"{person} lacks {len(missing)} of {len(titles)}" if missing else None


def _full_for_hours(place: Postfix) -> Seen:
    """Nobody waits for the full mailbox; its own are kept."""
    with _box("One full", "post") as box:
        worker = box.worker(sink(place, "plain", ROBIN, f"full@{DOMAIN}"))
        box.passes(1.0, worker)
        at_once = _lacking(place, "robin", box.titles)
        box.passes(1800.0, worker)
        twice = [each["Subject"] for each in place.letters("robin")]
        return box.seen(
            "post", at_once, *("robin got one twice" for title in box.titles if twice.count(title) > 1)
        )


def _over_quota(place: Postfix) -> Seen:
    with _box("One over quota", "post") as box:
        box.passes(1.0, box.worker(sink(place, "plain", ROBIN, f"quota@{DOMAIN}")))
        return box.seen("post", _lacking(place, "robin", box.titles))


def _greylisted(place: Postfix) -> Seen:
    with _box("Greylisted", "post") as box:
        box.passes(900.0, box.worker(sink(place, "greylist", f"grey@{DOMAIN}")))
        return box.seen("post", _lacking(place, "grey", box.titles))


def _large(door: str) -> Callable[[Postfix], Seen]:
    """The pictures are too large for the server: the words of all six arrive."""

    def run(place: Postfix) -> Seen:
        with _box(f"At {door}", "post") as box:
            box.passes(60.0, box.worker(sink(place, door)))
            return box.seen("post", _lacking(place, "robin", box.titles))

    return run


def _one_away(place: Postfix) -> Seen:
    """A sink whose server is stopped, beside one that works."""
    with _box("One away", "post", "away") as box:
        away = sink(place, "plain", port=free_port())
        away.name = "away"
        workers = box.worker(away), box.worker(sink(place, "plain", WREN))
        box.passes(1.0, *workers)
        lacking = _lacking(place, "wren", box.titles)
        waits = box.store.counts()["away"]
        return box.seen("post", lacking, None if waits == {"waiting": _ALERTS} else f"away: {waits}")


def _back_again(place: Postfix) -> Seen:
    """The server is stopped for a while; then it takes all."""
    with _box("Back again", "post") as box:
        box.passes(100.0, box.worker(sink(place, "plain", port=free_port())))
        box.passes(
            300.0, box.worker(sink(place, "starttls", security="starttls", user=USER, password=PASSWORD))
        )
        return box.seen("post", _lacking(place, "robin", box.titles))


CASES: list[Case[Postfix]] = [
    Case(
        "six alerts, one mailbox full for half an hour",
        SendOutcome.NOT_SENT,
        "mailbox is full",
        _full_for_hours,
    ),
    Case("six alerts, one mailbox over quota", SendOutcome.SENT, None, _over_quota),
    Case("six alerts, greylisted", SendOutcome.SENT, None, _greylisted),
    Case("six alerts, pictures too large", SendOutcome.SENT, None, _large("small, unannounced")),
    Case("six alerts, only words fit", SendOutcome.SENT, None, _large("words only")),
    Case("six alerts, another sink's server stopped", SendOutcome.SENT, None, _one_away),
    Case("six alerts, the server back again", SendOutcome.SENT, None, _back_again),
]
