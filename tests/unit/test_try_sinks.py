from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from dooryard.cli.try_sinks import trial_picture, try_sinks
from dooryard.core.clock import FakeClock
from dooryard.core.errors import SinkError
from dooryard.core.records import Alert
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.email import EmailSink
from dooryard.sinks.memory import MemorySink
from dooryard.sinks.remedies import remedy_for
from dooryard.sinks.webhook import WebhookSink
from servers import web
from servers.certificates import Authority
from servers.post_office import PostOffice, Script

NOW = FakeClock().now()
SALT = bytes(16)
RECIPIENT = "robin@alder-row.example"


def tried(*sinks: Any) -> tuple[int, str]:
    out = io.StringIO()
    return try_sinks(sinks, "Alder Row", NOW, SALT, out, clock_set=True), out.getvalue()


def webhook(url: str, **options: Any) -> WebhookSink:
    fields: dict[str, Any] = {
        "connect_timeout_s": 5.0,
        "read_timeout_s": 5.0,
        "total_timeout_s": 9.0,
        "now": lambda: 0.0,
    }
    return WebhookSink("phone", url, **(fields | options))


def mail(port: int, **options: Any) -> EmailSink:
    fields: dict[str, Any] = {
        "sender": "box@alder-row.example",
        "recipients": [RECIPIENT],
        "security": "none",
        "read_timeout_s": 5.0,
        "now": lambda: 0.0,
    }
    return EmailSink("post", "127.0.0.1", port, **(fields | options))


def test_all_well() -> None:
    sinks = MemorySink("phone"), MemorySink("post")
    code, text = tried(*sinks)
    assert code == 0
    assert text == "phone: sent (kept in memory)\npost: sent (kept in memory)\n"
    for sink in sinks:
        ((alert, picture),) = sink.received
        assert alert.title == "A trial message from Alder Row"
        with Image.open(io.BytesIO(picture or b"")) as image:
            assert image.size == (1310, 990)
        assert len(picture or b"") > 300_000  # as a sheet of twelve pictures has
        assert sink.closed


def test_one_that_fails_does_not_keep_the_others_from_being_tried() -> None:
    last = MemorySink("last")
    code, text = tried(
        MemorySink("phone", [SendResult(SendOutcome.NOT_SENT, "HTTP 503 Service Unavailable")]), last
    )
    assert code == SinkError.exit_code
    assert text.splitlines()[:2] == [
        "phone: not sent (HTTP 503 Service Unavailable)",
        "  to do: the receiver is in trouble: look there, or try again later",
    ]
    assert len(last.received) == 1


def test_a_box_without_sinks_is_told_so() -> None:
    assert tried() == (0, "The box file names no sink. Add a [[sink]] table to be sent anything.\n")


@pytest.mark.parametrize(
    ("status", "remedy"),
    [
        ("401 Unauthorized", "secret, token or log-in"),
        ("403 Forbidden", "secret, token or log-in"),
        ("404 Not Found", "path of the address"),
        ("413 Content Too Large", "raise the receiver's limit"),
        ("422 Unprocessable", "another form"),
        ("429 Too Many", "too many messages"),
        ("500 Oh", "receiver is in trouble"),
        ("301 Moved", "address that it now has"),
    ],
)
def test_what_a_receiver_says(status: str, remedy: str) -> None:
    with web.Peer(web.answers(status)) as peer:
        _, text = tried(webhook(peer.url))
    assert remedy in text
    assert "token-of-the-path" not in text


@pytest.mark.parametrize(
    ("name", "expired", "trusted", "remedy"),
    [
        ("127.0.0.1", False, False, "as ca_file"),
        ("garden.example", False, True, "the name that the certificate is for"),
        ("127.0.0.1", True, True, "has expired"),
    ],
)
def test_certificates(tmp_path: Path, name: str, expired: bool, trusted: bool, remedy: str) -> None:
    authority = Authority(tmp_path)
    with web.Peer(web.answers("204 No Content"), tls=authority.server(name, expired=expired)) as peer:
        _, text = tried(webhook(peer.url, ca_file=authority.file if trusted else None))
    assert remedy in text


def test_ports_and_names() -> None:
    _, text = tried(webhook(f"http://127.0.0.1:{web.unused_port()}/"), mail(web.unused_port()))
    assert text.count("nothing listens there") == 2
    # A server that is spoken to in TLS and answers in plain words.
    with web.Peer(lambda exchange: exchange.say("HTTP/1.1 400 Bad Request\r\n\r\n")) as peer:
        _, text = tried(webhook(peer.url.replace("http:", "https:")), mail(peer.port, security="tls"))
    assert text.count("the port speaks no TLS") == 2
    with web.Peer(web.hangs_after_reading) as peer:
        _, text = tried(webhook(peer.url, read_timeout_s=0.2))
    assert "raise the sink's timeout" in text


@pytest.mark.parametrize(
    ("script", "options", "remedy"),
    [
        (Script(rcpt={RECIPIENT: ["550 5.1.1 unknown"]}), {}, "check both addresses"),
        (Script(rcpt={RECIPIENT: ["450 4.2.0 greylisted"]}), {}, "the outbox does so by itself"),
        (Script(data=["552 5.3.4 too big"] * 3), {}, "raise the server's limit"),
        (Script(), {"security": "starttls"}, "no such encryption"),
    ],
)
def test_what_a_mail_server_says(script: Script, options: dict[str, Any], remedy: str) -> None:
    with PostOffice(script) as office:
        _, text = tried(mail(office.port, **options))
    assert remedy in text


# Each answer is what the server named beside it says. Words of Postfix 3.7, OpenSSH 9.2, rsync 3.2 and 3.5.
@pytest.mark.parametrize(
    ("said", "remedy"),
    [
        ("SMTP 554 5.7.1 <robin@alder-row.example>: Relay access denied", "give user and password"),
        ("SMTP 454 4.7.1 <robin@alder-row.example>: Relay access denied", "give user and password"),
        ("SMTP 554 5.7.1 <robin@a.example>: Recipient address rejected: Access denied", "give user and"),
        ("SMTP 530 5.7.0 Must issue a STARTTLS command first", 'security to "starttls"'),
        ("SMTP 535 5.7.8 Error: authentication failed: (reason unavailable)", "password is wrong"),
        ("SMTP 552 5.3.4 Message size exceeds fixed limit", "raise the server's limit"),
        ("SMTP 552 5.2.2 <wren@a.example>: user is over quota", "mailbox is full"),
        ("SMTP 450 4.2.0 <wren@a.example>: Recipient address rejected: Greylisted", "by itself"),
        ("SMTP 452 4.3.1 Insufficient system storage", "disk there is full"),
        ("SMTP 550 5.1.1 <wren@a.example>: User unknown in local recipient table", "check both addresses"),
        (
            "SMTP 553 5.7.1 <box@a.example>: Sender address rejected: not owned by user",
            "check both addresses",
        ),
        ("HTTP 400 Bad Request: it wants https", "write the address with https"),
        ("HTTP 400 Bad Request: it wants a certificate of the client's", "certificate of the box's own"),
        ("a.example: TLS failed: TLSV13_ALERT_CERTIFICATE_REQUIRED", "certificate of the box's own"),
        ("a: ssh could not connect or log in (box@a: Permission denied (publickey).)", "authorized_keys"),
        ("a: ssh could not connect or log in (Host key verification failed.)", "ssh-keyscan"),
        ("a: ssh could not connect or log in (the host's key is not the one in known_hosts)", "poses as it"),
        ("a: ssh (ssh: Could not resolve hostname a: Name or service not known)", "spelling of the host"),
        ("a: ssh (ssh: connect to host a port 22: Connection refused)", "nothing listens"),
        ("a: ssh (ssh: connect to host a port 22: Connection timed out)", "blocks it"),
        ("a: ssh (ssh: connect to host a port 22: No route to host)", "Wi-Fi and router"),
        (
            'a: rsync ended with 3 (rsync: [Receiver] mkdir "/srv/x" failed: Permission denied (13))',
            "not write",
        ),
        (
            'a: x (rsync: [Receiver] mkdir "/srv/x/y" failed: No such file or directory (2))',
            "folder above it",
        ),
        (
            'a: x (rsync: [receiver] write failed on "/srv/x": No space left on device (28))',
            "disk there is full",
        ),
        ("a: x (/usr/bin/rrsync error: reading from write-only server is not allowed)", "without -wo"),
        ("a: x (/usr/bin/rrsync error: invalid rsync-command syntax or options)", "does not fit"),
        ("a: x (bash: line 1: rsync: command not found)", "install rsync there"),
        ("a: x (protocol version mismatch -- is your shell clean?)", "words at log-in"),
        ("/srv/web: permission denied", "may not write there"),
        ("/srv/web: no space left on device", "disk there is full"),
        ("/srv/web: read-only file system", "can only be read"),
        ("127.0.0.1: what answers there does not speak SMTP", "check host, port and security"),
        ("127.0.0.1: connected, but no greeting in time", 'security "tls"'),
        ("SMTP 421 4.7.1 mail.a.example Error: No client certificate presented", "of the box's own"),
        ("HTTP 302 Found: redirected elsewhere, which is not followed", "log-in of the network"),
        (
            "a: connection lost, or the host has no rsync (ssh: connect to host a: Connection refused)",
            "nothing listens",
        ),
        ("a: the connection was lost, or the host has no rsync", "install rsync there"),
        ("a: ssh could not connect or log in (rsync error: unexplained error (code 255))", "broke off"),
        ("a: a file or folder could not be written there", "disk there is full"),
    ],
)
def test_each_trouble_has_its_own_remedy(said: str, remedy: str) -> None:
    assert remedy in (remedy_for(SendResult(SendOutcome.NOT_SENT, said)) or "")


@pytest.mark.parametrize(
    ("body", "remedy"),
    [
        ("<center>The plain HTTP request was sent to HTTPS port</center>", "with https"),  # nginx 1.22
        ("You're speaking plain HTTP to an SSL-enabled server port.<br />", "with https"),  # Apache 2.4
        ("Client sent an HTTP request to an HTTPS server.", "with https"),  # Go's net/http
        ("<center>No required SSL certificate was sent</center>", "certificate of the box's own"),  # nginx
    ],
)
def test_what_was_asked_in_the_wrong_way(body: str, remedy: str) -> None:
    with web.Peer(web.answers("400 Bad Request", body=body)) as peer:
        _, text = tried(webhook(peer.url))
    assert remedy in text
    assert body not in text


def test_an_answer_that_is_not_known_still_has_a_remedy() -> None:
    assert remedy_for(SendResult(SendOutcome.REFUSED, "gibberish"))
    assert remedy_for(SendResult(SendOutcome.SENT, "HTTP 404")) is None


def test_any_name_can_be_drawn() -> None:
    assert trial_picture("Gärtchen 🐦 \ud800")


def test_a_fault_in_one_sink_does_not_keep_the_others_from_being_tried() -> None:
    class Faulty(MemorySink):
        def send(self, alert: Alert, picture: bytes | None) -> SendResult:
            raise RuntimeError("a secret may stand here")

    last = MemorySink("last")
    code, text = tried(Faulty("post"), last)
    assert code == SinkError.exit_code
    assert text.startswith(
        "post: not sent (fault in the sink: RuntimeError)\n  to do: this should not happen"
    )
    assert len(last.received) == 1
