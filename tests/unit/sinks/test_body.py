"""Bodies of the owner's own, as a receiver on loopback gets them."""

from __future__ import annotations

import base64
import json
from email import message_from_bytes, policy
from typing import Any
from urllib.parse import parse_qs

import pytest

from dooryard.core.errors import SinkError
from dooryard.core.records import Alert
from dooryard.sinks.base import SendOutcome
from dooryard.sinks.body import EVENT, RESERVED_HEADERS, BodyPlan, plan_from
from dooryard.sinks.template import parse_json_template, parse_template
from dooryard.sinks.webhook import WebhookSink
from servers import web
from unit.outbox.builders import JPEG, alert, visit

TOLD = alert(1, visit(1), title='ein "Grünfink" 🐦', text="zwei\nZeilen & mehr")


def request_for(
    plan: BodyPlan, told: Alert = TOLD, picture: bytes | None = JPEG, **options: Any
) -> web.Request:
    with web.Peer(web.answers("204 No Content")) as peer:
        sink = WebhookSink("phone", peer.url, body=plan, now=lambda: 1_781_442_000.0, **options)
        assert sink.send(told, picture).outcome is SendOutcome.SENT
        (request,) = peer.requests
    return request


def test_json_of_ones_own() -> None:
    template = parse_json_template('{"message": "$title", "image": "$picture_base64", "level": $sure}')
    request = request_for(BodyPlan("json", template))
    assert request.headers["content-type"] == "application/json; charset=utf-8"
    assert json.loads(request.body) == {
        "message": TOLD.title,
        "image": base64.b64encode(JPEG).decode(),
        "level": 0.84,
    }
    without = request_for(BodyPlan("json", template), alert(2), None)
    assert json.loads(without.body) == {"message": alert(2).title, "image": "", "level": None}


def test_text_with_headers_of_ones_own() -> None:
    plan = BodyPlan(
        "text",
        parse_template("$text"),
        content_type="text/markdown",
        headers={"X-Title": parse_template("$title\r\nX-Evil: 1"), "X-Urgent": parse_template("$urgent")},
    )
    request = request_for(plan)
    assert request.body.decode() == TOLD.text
    assert request.headers["content-type"] == "text/markdown"
    # Header values are sent in UTF-8; the peer here reads them byte by byte.
    shown = request.headers["x-title"].encode("ascii", "surrogateescape").decode()
    assert shown == f"{TOLD.title} X-Evil: 1"
    assert request.headers["x-urgent"] == "false"
    assert "x-evil" not in request.headers


def test_a_form() -> None:
    fields = {"title": parse_template("$title"), "message": parse_template("$text"), "x": parse_template("")}
    request = request_for(BodyPlan("form", fields=fields))
    assert request.headers["content-type"] == "application/x-www-form-urlencoded"
    # Read by Python's parser of the URL standard's form encoding.
    assert parse_qs(request.body.decode(), keep_blank_values=True) == {
        "title": [TOLD.title],
        "message": [TOLD.text],
        "x": [""],
    }


@pytest.mark.parametrize("picture", [JPEG, None])
def test_a_form_with_the_picture_as_a_file(picture: bytes | None) -> None:
    plan = BodyPlan("multipart", fields={"message": parse_template("$title")}, picture_field="photo")
    request = request_for(plan, picture=picture)
    again = request_for(plan, picture=picture)
    assert request.body == again.body  # a repeat has the same bytes
    # Read by Python's MIME parser (RFC 2046, RFC 7578).
    whole = f"Content-Type: {request.headers['content-type']}\r\n\r\n".encode() + request.body
    parts = list(message_from_bytes(whole, policy=policy.HTTP).iter_parts())
    names = [part["Content-Disposition"].params["name"] for part in parts]
    assert names == ["message", "photo"][: 2 if picture else 1]
    said = parts[0].get_payload(decode=True)
    assert isinstance(said, bytes)
    assert said.decode() == TOLD.title
    if picture:
        assert parts[1].get_content_type() == "image/jpeg"
        assert parts[1].get_filename() == "visit.jpg"
        assert parts[1].get_payload(decode=True) == JPEG


def test_the_picture_itself_with_the_words_in_headers() -> None:
    plan = BodyPlan("picture", headers={"X-Message": parse_template("$title")})
    request = request_for(plan)
    assert (request.body, request.headers["content-type"]) == (JPEG, "image/jpeg")
    without = request_for(plan, alert(2), None)
    assert (without.body.decode(), without.headers["content-type"]) == (
        alert(2).text,
        "text/plain; charset=utf-8",
    )


def test_basic_log_in() -> None:
    # Source: the two worked examples of RFC 7617, sections 2 and 2.1.
    plan = BodyPlan("text", parse_template("$title"))
    request = request_for(plan, basic=("Aladdin", "open sesame"))
    assert request.headers["authorization"] == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="
    request = request_for(plan, basic=("test", "123£"))
    assert request.headers["authorization"] == "Basic dGVzdDoxMjPCow=="


@pytest.mark.parametrize("basic", [("a:b", "thistle"), ("a", "this\ntle")])
def test_a_log_in_that_no_header_can_carry_is_an_error(basic: tuple[str, str]) -> None:
    with pytest.raises(SinkError) as caught:
        WebhookSink("phone", "https://phone.example/", basic=basic, now=lambda: 0.0)
    assert basic[1] not in str(caught.value)


def test_a_bearer_and_a_user_do_not_go_together() -> None:
    with pytest.raises(SinkError, match="one of the two") as caught:
        WebhookSink("phone", "https://phone.example/", basic=("a", "b"), bearer="c", now=lambda: 0.0)
    assert caught.value.remedy


@pytest.mark.parametrize("name", ["X Title", "X:Title", "", "Ü", "X\r\nY", *sorted(RESERVED_HEADERS)])
def test_a_header_that_cannot_be_ones_own_is_an_error(name: str) -> None:
    plan = BodyPlan("text", parse_template("x"), headers={name: parse_template("y")})
    with pytest.raises(SinkError):
        WebhookSink("phone", "https://phone.example/", body=plan, now=lambda: 0.0)


@pytest.mark.parametrize("kind", ["text", "form", "multipart", "picture"])
@pytest.mark.parametrize(
    "odd", [alert(3, title="", text=""), alert(4, title="two\r\nlines\x00\u2028", text="\ud800 \x07")]
)
def test_any_alert_fits_any_body(kind: Any, odd: Alert) -> None:
    fields = {"t": parse_template("$title"), "m": parse_template("$text $sure $visit")}
    plan = BodyPlan(kind, parse_template("$title $text"), fields=fields, headers={"X-T": fields["t"]})
    for picture in (None, b"", JPEG):
        request_for(plan, odd, picture)


def test_a_plan_from_the_texts_of_a_box_file() -> None:
    assert plan_from("event") == EVENT
    assert plan_from("json", template='{"a": $sure}', headers={"X-T": "$title"}) == BodyPlan(
        "json", parse_json_template('{"a": $sure}'), headers={"X-T": parse_template("$title")}
    )
    assert plan_from("multipart", fields={"a": "$text"}, picture_field="photo") == BodyPlan(
        "multipart", fields={"a": parse_template("$text")}, picture_field="photo"
    )


@pytest.mark.parametrize(
    ("kind", "texts", "message"),
    [
        ("json", {}, 'template: a body of kind "json" needs it'),
        ("form", {}, 'fields: a body of kind "form" needs it'),
        ("event", {"template": "x"}, 'template: has no meaning for a body of kind "event"'),
        ("picture", {"fields": {"a": "b"}}, 'fields: has no meaning for a body of kind "picture"'),
        ("text", {"template": "one\n$who"}, 'template: line 2, column 1: unknown placeholder "$who"'),
        ("json", {"template": '{"a":\n$title $text}'}, "template: line 2, column"),
        ("form", {"fields": {"a": "$"}}, "fields.a: line 1, column 1: a $ without a name"),
        ("event", {"headers": {"X-T": "$titel"}}, "headers.X-T: line 1, column 1: unknown placeholder"),
        ("event", {"headers": {"Host": "x"}}, "headers: the header Host is set by the program itself"),
    ],
)
def test_a_box_files_mistakes_are_named_with_their_place(
    kind: Any, texts: dict[str, Any], message: str
) -> None:
    with pytest.raises(ValueError) as caught:
        plan_from(kind, **texts)
    assert str(caught.value).startswith(message)
