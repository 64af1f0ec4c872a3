"""What a webhook sends: an event, or a body of the owner's own. Pure."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal
from urllib.parse import urlencode

from urllib3.filepost import encode_multipart_formdata

from dooryard.core.records import Alert
from dooryard.sinks.event import CONTENT_TYPE, event_body
from dooryard.sinks.letter import one_line
from dooryard.sinks.template import Template, TemplateError, Value, parse_json_template, parse_template

Headers = dict[str, str | bytes]
BodyKind = Literal["event", "json", "text", "form", "multipart", "picture"]

# Set by the program itself: a template must not break the exchange or the signature.
RESERVED_HEADERS = frozenset(
    {"host", "content-type", "content-length", "transfer-encoding", "connection", "authorization", "te",
     "trailer", "upgrade", "webhook-id", "webhook-timestamp", "webhook-signature"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class BodyPlan:
    """How a body is made.

    event      a CloudEvents JSON body
    json, text `template`, filled in
    form       `fields`, as a form (application/x-www-form-urlencoded)
    multipart  `fields`, and the picture as a file in `picture_field` (RFC 7578)
    picture    the JPEG itself; without one, the alert's text as plain text

    `headers` go with any of them; in their values, line breaks become blanks and all else is sent in UTF-8.
    """

    kind: BodyKind = "event"
    template: Template | None = None
    content_type: str | None = None  # in place of the usual one
    fields: Mapping[str, Template] = field(default_factory=dict)
    picture_field: str = "picture"
    headers: Mapping[str, Template] = field(default_factory=dict)


EVENT = BodyPlan()
_NEEDS: dict[BodyKind, str | None] = {
    "event": None, "json": "template", "text": "template", "form": "fields", "multipart": "fields",
    "picture": None,
}  # fmt: skip


def plan_from(
    kind: BodyKind,
    *,
    template: str | None = None,
    content_type: str | None = None,
    fields: Mapping[str, str] | None = None,
    picture_field: str = "picture",
    headers: Mapping[str, str] | None = None,
) -> BodyPlan:
    """A plan from the texts of a box file.

    Raises ValueError, which names the key (and for a template the line within it), for a placeholder that
    is unknown, a header that cannot be one's own, or a key that `kind` lacks or has no use for.
    """
    for key, given in (("template", template is not None), ("fields", bool(fields))):
        if _NEEDS[kind] == key and not given:
            raise ValueError(f'{key}: a body of kind "{kind}" needs it')
        if _NEEDS[kind] != key and given:
            raise ValueError(f'{key}: has no meaning for a body of kind "{kind}"')
    for name in headers or {}:
        problem = header_problem(name)
        if problem:
            raise ValueError(f"headers: {problem}")
    read = parse_json_template if kind == "json" else parse_template
    return BodyPlan(
        kind,
        template=None if template is None else _read("template", template, read),
        content_type=content_type,
        fields={name: _read(f"fields.{name}", text, parse_template) for name, text in (fields or {}).items()},
        picture_field=picture_field,
        headers={
            name: _read(f"headers.{name}", text, parse_template) for name, text in (headers or {}).items()
        },
    )


def header_problem(name: str) -> str | None:
    """Why `name` cannot be a header of the owner's own, or None."""
    if name.lower() in RESERVED_HEADERS:
        return f"the header {name} is set by the program itself"
    if not re.fullmatch(r"[A-Za-z0-9!#$%&'*+.^_`|~-]+", name):  # RFC 9110, 5.6.2: a token
        return f"{name!r} is not a header's name"
    return None


def _read(key: str, text: str, parse: Callable[[str], Template]) -> Template:
    try:
        return parse(text)
    except TemplateError as error:
        raise ValueError(f"{key}: {error}") from error


def made(plan: BodyPlan, alert: Alert, picture: bytes | None, source: str) -> tuple[bytes, Headers]:
    """The body and the headers that describe it."""
    names = set().union(*(each.names for each in _templates(plan)))
    values = values_of(alert, picture, encode="picture_base64" in names)
    body, content_type = _content(plan, alert, picture, values, source)
    headers: Headers = {
        name: one_line(template.filled(values)).encode("utf-8", "replace")
        for name, template in plan.headers.items()
    }
    headers["Content-Type"] = plan.content_type or content_type
    return body, headers


def shows_pictures(plan: BodyPlan) -> bool:
    """Whether a picture goes out with such a body at all."""
    names = set().union(*(each.names for each in _templates(plan)))
    return plan.kind in {"event", "multipart", "picture"} or "picture_base64" in names


def values_of(alert: Alert, picture: bytes | None, *, encode: bool = True) -> dict[str, Value]:
    """What each placeholder stands for; `encode` False leaves out the picture's base64."""
    visitor = alert.visitor
    return {
        "id": alert.id,
        "kind": alert.kind,
        "title": _sound(alert.title),
        "text": _sound(alert.text),
        "time": _rfc3339(alert.wall),
        "unix_s": int(alert.wall.timestamp()),
        "clock_set": alert.clock_set,
        "urgent": alert.urgent,
        "visit": alert.visit,
        "visitor": visitor.name if visitor else None,
        "group": visitor.group if visitor else None,
        "species": visitor.species if visitor else None,
        "scientific": visitor.scientific if visitor else None,
        "sure": round(float(visitor.sure), 4) if visitor else None,
        "picture_name": f"{alert.id}.jpg" if picture else None,
        "picture_base64": base64.b64encode(picture).decode() if picture and encode else None,
    }


def _content(
    plan: BodyPlan, alert: Alert, picture: bytes | None, values: Mapping[str, Value], source: str
) -> tuple[bytes, str]:
    filled = {name: template.filled(values) for name, template in plan.fields.items()}
    if plan.kind == "event":
        return event_body(alert, picture, source), CONTENT_TYPE
    if plan.kind in {"json", "text"} and plan.template is not None:
        kind = "application/json" if plan.kind == "json" else "text/plain"
        return _bytes(plan.template.filled(values)), f"{kind}; charset=utf-8"
    if plan.kind == "form":
        return urlencode(filled).encode("ascii"), "application/x-www-form-urlencoded"
    if plan.kind == "multipart":
        return _multipart(plan, alert, picture, filled)
    if picture:
        return picture, "image/jpeg"
    return _bytes(_sound(alert.text)), "text/plain; charset=utf-8"


def _multipart(
    plan: BodyPlan, alert: Alert, picture: bytes | None, filled: Mapping[str, str]
) -> tuple[bytes, str]:
    parts: list[tuple[str, str | tuple[str, bytes, str]]] = list(filled.items())
    if picture:
        parts.append((plan.picture_field, ("visit.jpg", picture, "image/jpeg")))
    # The boundary is of the alert, so that a repeat has the same bytes.
    boundary = "dooryard-" + "".join(c for c in alert.id if c.isascii() and c.isalnum())[:48]
    return encode_multipart_formdata(parts, boundary=boundary)


def _templates(plan: BodyPlan) -> list[Template]:
    own = [plan.template] if plan.template else []
    return [*own, *plan.fields.values(), *plan.headers.values()]


def _rfc3339(wall: datetime) -> str:
    return wall.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _sound(text: str) -> str:
    """Lone surrogates cannot be sent; they become question marks."""
    return text.encode("utf-8", "replace").decode()


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "replace")
