"""The Atom feed: the newest visits. Pure. Source of the format: RFC 4287; of dates: RFC 3339."""

from __future__ import annotations

import uuid
from collections.abc import Sequence
from datetime import datetime
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

from dooryard.core.wording import sentence, spoken
from dooryard.history.entries import Entry
from dooryard.journal import paths
from dooryard.journal.cards import alternative, card

ATOM = "http://www.w3.org/2005/Atom"
MOST_ENTRIES = 30


def feed(entries: Sequence[Entry], place: str, zone: ZoneInfo, base_url: str | None, now: datetime) -> bytes:
    """The feed of `entries`, newest first.

    Without a `base_url` its links are relative, which readers of files understand; `now` dates a feed
    without an entry.
    """
    base = base_url or ""
    root = ET.Element("feed", {"xmlns": ATOM, "xml:lang": "en"})
    _add(root, "title", f"The journal of {place}")
    _add(root, "id", f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_URL, base or f'dooryard:{place}')}")
    newest = max((updated(entry) for entry in entries), default=now)
    _add(root, "updated", _date(newest))
    _add(ET.SubElement(root, "author"), "name", place)
    ET.SubElement(root, "link", {"rel": "alternate", "type": "text/html", "href": f"{base}{paths.INDEX}"})
    if base:
        ET.SubElement(
            root, "link", {"rel": "self", "type": "application/atom+xml", "href": f"{base}{paths.FEED}"}
        )
    _add(root, "generator", "Dooryard")
    for entry in entries:
        root.append(_entry(entry, place, zone, base))
    body: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return body


def updated(entry: Entry) -> datetime:
    """When the entry last changed: at a mark, or when its visitor was last seen."""
    return max(entry.last_seen, entry.said.wall or entry.last_seen)


def _entry(entry: Entry, place: str, zone: ZoneInfo, base: str) -> ET.Element:
    shown = card(entry, zone)
    found = ET.Element("entry")
    _add(found, "title", _clean(f"{sentence(spoken(entry.visitor))}: {place}, {shown.time}"))
    _add(found, "id", f"urn:uuid:{entry.id}")
    _add(found, "published", _date(entry.start))
    _add(found, "updated", _date(updated(entry)))
    ET.SubElement(found, "link", {"rel": "alternate", "type": "text/html", "href": f"{base}{shown.day_href}"})
    came = f"came {shown.date} at {shown.time}, {shown.stay}"
    text = f"{shown.title}, {shown.sure}; {came}. {sentence(shown.outcome_text)}."
    _add(found, "summary", _clean(text))
    if shown.large:
        link = {"rel": "enclosure", "type": "image/jpeg", "href": f"{base}{shown.large}"}
        ET.SubElement(found, "link", {**link, "title": _clean(alternative(entry, zone))})
    return found


def _add(parent: ET.Element, name: str, text: str) -> None:
    ET.SubElement(parent, name).text = text


def _clean(text: str) -> str:
    """`text` without characters that XML 1.0 cannot hold."""
    return "".join(each for each in text if each.isprintable())


def _date(wall: datetime) -> str:
    return wall.isoformat(timespec="seconds")
