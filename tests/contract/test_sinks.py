"""What every sink promises (`dooryard.sinks.base`), checked for each of them against a real receiver.

The memory sink has no receiver: there the script stands for it.
"""

from __future__ import annotations

import base64
import errno
import os
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from email import message_from_bytes, policy
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import parse_qs

import pytest

from dooryard.box.file import parse_box
from dooryard.box.kinds import Surroundings
from dooryard.core.records import Alert, Visitor
from dooryard.sinks.base import SendOutcome, SendResult, Sink
from dooryard.sinks.body import BodyPlan
from dooryard.sinks.email import EmailSink
from dooryard.sinks.memory import MemorySink
from dooryard.sinks.template import parse_template
from dooryard.sinks.webhook import WebhookSink
from fakes.labs import on_path
from servers import web
from servers.post_office import DROP, PostOffice, Script
from unit.outbox.builders import JPEG, alert, visit

NAME = "phone"
SECRETS = ("thistle-token-0123456789", base64.b64encode(bytes(range(32))).decode(), "token-of-the-path")
RECIPIENT = "robin@alder-row.example"
TOLD = alert(1, visit(1))


@dataclass(frozen=True)
class Case:
    """A sink, and the ids that its receiver has got."""

    sink: Sink
    received: Callable[[], list[str]]


def webhook(port_url: str) -> WebhookSink:
    return WebhookSink(
        NAME,
        port_url,
        bearer=SECRETS[0],
        secret=SECRETS[1],
        connect_timeout_s=1.0,
        read_timeout_s=0.2,
        total_timeout_s=2.0,
        now=lambda: 1_781_442_000.0,
    )


def mail(port: int) -> EmailSink:
    return EmailSink(
        NAME,
        "127.0.0.1",
        port,
        sender="box@alder-row.example",
        recipients=[RECIPIENT],
        security="none",
        connect_timeout_s=1.0,
        read_timeout_s=0.2,
        total_timeout_s=2.0,
        now=lambda: 1_781_442_000.0,
    )


@contextmanager
def webhook_case(outcome: SendOutcome) -> Iterator[Case]:
    behaviour = {
        SendOutcome.SENT: web.answers("204 No Content"),
        SendOutcome.NOT_SENT: web.answers("503 Busy"),
        SendOutcome.MAYBE_SENT: web.resets_after_reading,
        SendOutcome.REFUSED: web.answers("404 Not Found"),
    }[outcome]
    with web.Peer(behaviour, web.answers("204 No Content")) as peer:
        yield Case(webhook(peer.url), lambda: [each.headers["webhook-id"] for each in peer.requests])


@contextmanager
def own_body_case(outcome: SendOutcome) -> Iterator[Case]:
    """A webhook with a body of the owner's own, whose id stands in a form's field."""
    behaviour = {
        SendOutcome.SENT: web.answers("200 OK"),
        SendOutcome.NOT_SENT: web.answers("429 Too Many Requests"),
        SendOutcome.MAYBE_SENT: web.closes_without_a_word,
        SendOutcome.REFUSED: web.answers("422 Unprocessable Content"),
    }[outcome]
    with web.Peer(behaviour, web.answers("200 OK")) as peer:
        plan = BodyPlan("form", fields={"id": parse_template("$id"), "say": parse_template("$title $text")})
        sink = WebhookSink(
            NAME, peer.url, basic=("wren", SECRETS[0]), body=plan, read_timeout_s=0.2, now=lambda: 0.0
        )
        yield Case(sink, lambda: [parse_qs(each.body.decode())["id"][0] for each in peer.requests])


@contextmanager
def mail_case(outcome: SendOutcome) -> Iterator[Case]:
    script = {
        SendOutcome.SENT: Script(),
        SendOutcome.NOT_SENT: Script(data=["451 4.3.0 later"]),
        SendOutcome.MAYBE_SENT: Script(data=[DROP]),
        SendOutcome.REFUSED: Script(rcpt={RECIPIENT: ["550 5.1.1 unknown"]}),
    }[outcome]
    with PostOffice(script) as office:

        def received() -> list[str]:
            found = [message_from_bytes(each.raw, policy=policy.default) for each in office.mails]
            return [str(each["Message-ID"]).strip("<>").partition("@")[0] for each in found]

        yield Case(mail(office.port), received)


@contextmanager
def memory_case(outcome: SendOutcome) -> Iterator[Case]:
    sink = MemorySink(NAME, [SendResult(outcome, f"the script says {outcome.value}")])
    yield Case(sink, lambda: [told.id for told, _ in sink.received])


@contextmanager
def lab_case(outcome: SendOutcome) -> Iterator[Case]:
    """A sink of another package, which is really installed: see tests/plugins."""
    with TemporaryDirectory() as name, on_path():
        base = Path(name) / "out"
        if outcome is not SendOutcome.NOT_SENT:
            (base / "paper" if outcome is SendOutcome.REFUSED else base).mkdir(parents=True)
        text = f'[[sink]]\nname = "{NAME}"\nkind = "notebook"\nfile = "paper"\n'
        around = Surroundings(base, "Alder Row box", base, lambda _: None, lambda _: base)
        sink: Any = parse_box(text, "box.toml").value.sink[0].build(around)
        really = sink.send

        def send(told: Alert, picture: bytes | None) -> SendResult:
            """Once as the case wants it; then all is well."""
            if outcome is SendOutcome.MAYBE_SENT:
                sink.sync = _fails
            result: SendResult = really(told, picture)
            base.mkdir(exist_ok=True)
            sink.send, sink.sync = really, os.fsync
            return result

        sink.send = send
        file = base / "paper"
        yield Case(sink, lambda: [line.split()[0] for line in file.read_text(encoding="utf-8").splitlines()])


def _fails(descriptor: int) -> None:
    raise OSError(errno.EIO, "the card does not answer")


CASES: dict[str, Any] = {
    "webhook": webhook_case,
    "own body": own_body_case,
    "email": mail_case,
    "memory": memory_case,
    "notebook, of another package": lab_case,
}


@pytest.fixture(params=CASES)
def case_of(request: pytest.FixtureRequest) -> Iterator[Callable[[SendOutcome], Case]]:
    with ExitStack() as stack:
        yield lambda outcome: stack.enter_context(CASES[request.param](outcome))


@pytest.mark.parametrize("outcome", SendOutcome)
def test_each_outcome_is_told_as_it_is_in_words_without_a_secret(
    case_of: Callable[[SendOutcome], Case], outcome: SendOutcome
) -> None:
    case = case_of(outcome)
    answer = case.sink.send(TOLD, JPEG)
    assert answer.outcome is outcome
    assert answer.text
    assert answer.text.isprintable()
    assert len(answer.text) < 500
    assert not [secret for secret in SECRETS if secret in answer.text + repr(answer) + repr(case.sink)]


def test_sent_means_that_the_receiver_has_it_under_its_id(case_of: Callable[[SendOutcome], Case]) -> None:
    case = case_of(SendOutcome.SENT)
    assert case.sink.name == NAME
    case.sink.send(TOLD, JPEG)
    case.sink.send(alert(2), None)
    assert case.received() == [TOLD.id, alert(2).id]


@pytest.mark.parametrize("outcome", [SendOutcome.NOT_SENT, SendOutcome.MAYBE_SENT])
def test_a_repeat_bears_the_same_id(case_of: Callable[[SendOutcome], Case], outcome: SendOutcome) -> None:
    case = case_of(outcome)
    case.sink.send(TOLD, JPEG)
    assert case.sink.send(TOLD, JPEG).outcome is SendOutcome.SENT
    assert set(case.received()) == {TOLD.id}


ODD = [
    alert(3, title="", text=""),
    alert(4, title="two\r\nlines\x00 and \u2028 more", text="\ud800 lone surrogate \x07"),
    alert(5, title="长" * 5000, text="ein Grünfink 🐦 " * 3000),
    alert(6, visit(6, visitor=Visitor("animal", 0.4)), kind="visit", clock_set=False, urgent=True),
]


@pytest.mark.parametrize("told", ODD, ids=["empty", "control", "long", "unsure"])
@pytest.mark.parametrize("picture", [None, b"", b"not a picture" * 1000], ids=["none", "empty", "odd"])
def test_any_alert_can_be_sent(
    case_of: Callable[[SendOutcome], Case], told: Alert, picture: bytes | None
) -> None:
    case = case_of(SendOutcome.SENT)
    assert case.sink.send(told, picture).outcome is SendOutcome.SENT
    assert case.received() == [told.id]


def test_close_may_come_twice_and_after_an_error(case_of: Callable[[SendOutcome], Case]) -> None:
    case = case_of(SendOutcome.MAYBE_SENT)
    case.sink.send(TOLD, JPEG)
    case.sink.close()
    case.sink.close()


@pytest.mark.parametrize(
    "make", [lambda port: webhook(f"http://127.0.0.1:{port}/"), mail], ids=["webhook", "email"]
)
def test_a_receiver_that_is_not_there_is_not_sent(make: Callable[[int], Sink]) -> None:
    answer = make(web.unused_port()).send(TOLD, JPEG)
    assert answer == SendResult(SendOutcome.NOT_SENT, "127.0.0.1: the connection was refused")
