"""Where things are in the journal's folder. Pure."""

from __future__ import annotations

import re
from datetime import date
from zoneinfo import ZoneInfo

from dooryard.history.entries import Entry
from dooryard.journal.phrases import slug

SITE = "journal"  # the journal's folder within the state folder, if no other is named
INDEX, HELD_BACK, ABOUT, FEED, STYLE = "index.html", "held-back.html", "about.html", "feed.xml", "style.css"
SMALL, LARGE = "small", "pictures"  # each with a folder per date
UNDATED = "undated"


_OURS = re.compile(
    rf"{re.escape(INDEX)}|{re.escape(HELD_BACK)}|{re.escape(ABOUT)}|{re.escape(FEED)}|{re.escape(STYLE)}"
    r"|calendar-\d+\.html|visitor/[\w-]+\.html"
    rf"|day/(?:\d{{4}}-\d{{2}}-\d{{2}}|{UNDATED})\.html"
    rf"|(?:{SMALL}|{LARGE})/(?:\d{{4}}-\d{{2}}-\d{{2}}|{UNDATED})/"
    r"[0-9a-f]{8}(?:-[0-9a-f]{4,12}){4}(?:-[\w-]+)?\.jpg"
)
_DATE = re.compile(rf"\d{{4}}-\d{{2}}-\d{{2}}|{UNDATED}")


def ours(path: str) -> bool:
    """Whether a journal is built of such a path: nothing else in its folder is ever removed."""
    return _OURS.fullmatch(path) is not None


def is_date(folder: str) -> bool:
    """Whether a folder of pictures has such a name."""
    return _DATE.fullmatch(folder) is not None


def folder_of(day: date | None) -> str:
    return day.isoformat() if day else UNDATED


def day_page(day: date | None) -> str:
    return f"day/{folder_of(day)}.html"


def year_page(year: int) -> str:
    return f"calendar-{year}.html"


def visitor_page(key: str) -> str:
    return f"visitor/{slug(key)}.html"


def anchor(entry: Entry) -> str:
    return f"visit-{entry.id}"


def small_picture(entry: Entry, zone: ZoneInfo) -> str | None:
    """Path of the small picture; None without one."""
    if entry.picture is None or entry.said.hide:
        return None
    return f"{SMALL}/{folder_of(entry.day(zone))}/{_stem(entry.picture)}.jpg"


def large_picture(entry: Entry, zone: ZoneInfo) -> str | None:
    """Path of the large picture; with another name it is another file, as the name stands inside it too."""
    if entry.picture is None or entry.said.hide:
        return None
    name = "nobody" if entry.said.nobody else slug(entry.visitor.key)
    return f"{LARGE}/{folder_of(entry.day(zone))}/{_stem(entry.picture)}-{name}.jpg"


def _stem(picture: str) -> str:
    return picture.rsplit("/", 1)[-1].removesuffix(".jpg")
