"""Signatures and events read by others' libraries.

Sources: the Standard Webhooks specification 1.0, by PyPI standardwebhooks; CloudEvents 1.0, by PyPI
cloudevents (version 2 or later, for its `core` package).
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import time
from datetime import UTC, datetime
from typing import Any

import pytest
from cloudevents.core.bindings.http import HTTPMessage, from_http_event
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from dooryard.core.records import Alert, Visitor
from dooryard.sinks.base import SendOutcome
from dooryard.sinks.body import BodyPlan
from dooryard.sinks.event import CONTENT_TYPE, event_body
from dooryard.sinks.signing import signed_headers, signing_key
from dooryard.sinks.template import parse_json_template
from dooryard.sinks.webhook import WebhookSink
from servers import web
from unit.outbox.builders import JPEG, START, alert, visit

SECRET = "whsec_" + base64.b64encode(bytes(range(32))).decode()
TOLD = alert(1, visit(1), title="ein Grünfink 🐦", urgent=True)


def request_for(told: Alert, picture: bytes | None, **options: Any) -> web.Request:
    with web.Peer(web.answers("204 No Content")) as peer:
        sink = WebhookSink(
            "phone", peer.url, secret=SECRET, source="/alder-row/feeder", now=time.time, **options
        )
        assert sink.send(told, picture).outcome is SendOutcome.SENT
        (request,) = peer.requests
    return request


def test_the_signature_is_verified_by_the_specifications_library() -> None:
    request = request_for(TOLD, JPEG)
    event = Webhook(SECRET).verify(request.body, request.headers)
    assert event["id"] == request.headers["webhook-id"] == TOLD.id
    forged = request.body.replace(b"fink", b"spatz")
    assert forged != request.body
    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(forged, request.headers)
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_" + base64.b64encode(bytes(32)).decode()).verify(request.body, request.headers)


def test_a_body_of_ones_own_is_signed_too() -> None:
    plan = BodyPlan("json", parse_json_template('{"say": "$title"}'))
    request = request_for(TOLD, JPEG, body=plan)
    assert Webhook(SECRET).verify(request.body, request.headers) == {"say": TOLD.title}


def test_the_signature_equals_what_the_library_would_make() -> None:
    body = '{"title": "Grünfink"}'
    moment = datetime(2026, 6, 14, 13, 0, tzinfo=UTC)
    theirs = Webhook(SECRET).sign("an-id", moment, body)
    ours = signed_headers(signing_key(SECRET), "an-id", int(moment.timestamp()), body.encode())
    assert ours["webhook-signature"] == theirs
    assert signing_key(SECRET.removeprefix("whsec_")) == signing_key(SECRET)


def test_the_event_is_read_by_the_cloudevents_library() -> None:
    request = request_for(TOLD, JPEG)
    message = HTTPMessage(request.headers, request.body)
    event = from_http_event(message)
    assert event.get_id() == TOLD.id
    assert event.get_type() == "io.dooryard.visit"
    assert event.get_source() == "/alder-row/feeder"
    assert event.get_specversion() == "1.0"
    assert event.get_time() == TOLD.wall
    assert event.get_datacontenttype() == "application/json"
    data = event.get_data()
    assert isinstance(data, dict)
    assert (data["title"], data["text"], data["urgent"], data["clock_set"]) == (
        TOLD.title,
        TOLD.text,
        True,
        True,
    )
    assert data["visit"] == visit(1).id
    assert data["visitor"] == {
        "name": "house finch",
        "group": "bird",
        "species": "house finch",
        "scientific": "Haemorhous mexicanus",
        "sure": 0.84,
    }
    assert base64.b64decode(data["picture"]["base64"]) == JPEG
    assert data["picture"]["sha256"] == hashlib.sha256(JPEG).hexdigest()
    assert data["picture"]["content_type"] == "image/jpeg"


def test_the_content_type_is_that_of_structured_mode() -> None:
    # CloudEvents HTTP binding 1.0, 3.2.1: media type "application/cloudevents" plus the format.
    assert CONTENT_TYPE.split(";")[0] == "application/cloudevents+json"


@pytest.mark.parametrize(
    "told",
    [
        alert(2),
        alert(3, None, kind="summary"),
        alert(4, title="line\nbreak \x00 \ud800", text=""),
        alert(5, visit(5, visitor=Visitor("animal", 0.5))),
    ],
)
def test_other_alerts_are_events_too(told: Alert) -> None:
    body = event_body(told, None, "/alder-row/feeder")
    event = JSONFormat().read(CloudEvent, body)
    assert event.get_type() == f"io.dooryard.{told.kind}"
    assert json.loads(body)["data"]["picture"] is None


def test_the_time_is_written_as_rfc_3339() -> None:
    written = json.loads(event_body(alert(1, wall=START), None, "/x"))["time"]
    assert written == "2026-06-14T13:00:00.000Z"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", written)
