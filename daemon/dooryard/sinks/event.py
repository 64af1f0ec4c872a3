"""An alert as a CloudEvents 1.0 event in structured JSON mode: pure.

Source: CloudEvents specification 1.0.2 and its JSON event format.
"""

from __future__ import annotations

import base64
import hashlib
import json
from typing import Any

from dooryard.core.records import Alert

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"


def event_body(alert: Alert, picture: bytes | None, source: str) -> bytes:
    """The request body: UTF-8 JSON. `source` is a URI reference that names the box, "/alder-row/feeder"."""
    event = {
        "specversion": "1.0",
        "id": alert.id,
        "source": source,
        "type": f"io.dooryard.{alert.kind}",
        "time": alert.wall.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
        "datacontenttype": "application/json",
        "data": {
            "title": alert.title,
            "text": alert.text,
            "urgent": alert.urgent,
            "clock_set": alert.clock_set,
            "visit": alert.visit,
            "visitor": _visitor(alert),
            "picture": _picture(picture),
        },
    }
    return json.dumps(event, ensure_ascii=False).encode("utf-8", errors="replace")


def _visitor(alert: Alert) -> dict[str, Any] | None:
    visitor = alert.visitor
    if visitor is None:
        return None
    return {
        "name": visitor.name,
        "group": visitor.group,
        "species": visitor.species,
        "scientific": visitor.scientific,
        "sure": round(float(visitor.sure), 4),
    }


def _picture(picture: bytes | None) -> dict[str, Any] | None:
    if picture is None:
        return None
    return {
        "content_type": "image/jpeg",
        "sha256": hashlib.sha256(picture).hexdigest(),
        "base64": base64.b64encode(picture).decode(),
    }
