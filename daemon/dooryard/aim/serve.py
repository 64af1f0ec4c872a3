"""The page, and what it asks for. See `web.listen` for what the server withstands."""

from __future__ import annotations

import json
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from http import HTTPStatus
from importlib import resources
from urllib.parse import SplitResult, parse_qs

import jinja2

from dooryard.aim import parts
from dooryard.aim.focus import MIDDLE, focus_score
from dooryard.aim.live import Gallery, Shot
from dooryard.aim.ruler import measure
from dooryard.camera.blackout import WHOLE
from dooryard.core.clock import Clock
from dooryard.core.records import Box, Exposure
from dooryard.journal.render import style
from dooryard.web.listen import PageHandler, PageServer

_FILES = {"aim.css": "text/css; charset=utf-8", "aim.js": "text/javascript; charset=utf-8"}
_VIEWER = re.compile(r"[a-z0-9]{8,32}")
_TEXT = {"Content-Type": "text/plain; charset=utf-8"}
_JSON = {"Content-Type": "application/json"}


@dataclass(frozen=True, slots=True)
class Aimed:
    """What is aimed, and what its box file says already."""

    box: str
    gallery: Gallery
    clock: Clock
    until_s: float  # monotonic
    stop: threading.Event  # set by who is done
    smallest: float  # the gate's, as a part of the picture's width
    ignored: tuple[parts.Polygon, ...] = ()
    blacked_out: tuple[tuple[float, float, float, float], ...] = ()
    shows: Box = WHOLE  # the part of the camera's whole view that pictures show
    patience_s: float = 4.0  # how long a request waits for a picture


class AimServer(PageServer):
    """Serves the page of `aimed` to who has `token`."""

    def __init__(self, address: tuple[str, int], aimed: Aimed, token: str) -> None:
        self.aimed = aimed
        super().__init__(address, _AimHandler, token)


class _AimHandler(PageHandler):
    server: AimServer
    what = "page"
    cookie = "dooryard-aim"
    sources = "img-src data:; style-src 'self'; script-src 'self'; connect-src 'self'"

    def show(self, address: SplitResult) -> None:
        path = address.path.removeprefix("/")
        asked = {name: texts[0] for name, texts in parse_qs(address.query).items()}
        if path == "":
            html = page(self.server.aimed, self.server.token)
            self.answer(HTTPStatus.OK, html, {"Content-Type": "text/html; charset=utf-8"})
        elif path == "style.css":
            self.answer(HTTPStatus.OK, style(), {"Content-Type": _FILES["aim.css"]})
        elif path in _FILES:
            self.answer(HTTPStatus.OK, _file(path), {"Content-Type": _FILES[path]})
        elif path == "look":
            self._look(asked)
        elif path == "measure":
            self._measure(asked)
        elif path == "lines":
            self._lines(asked)
        else:
            self.refuse(HTTPStatus.NOT_FOUND, "There is no such page.")

    def take(self, path: str, form: Mapping[str, str]) -> None:
        if path == "/end":
            self.answer(HTTPStatus.OK, b"Done. You can close this page.\n", _TEXT)
            self.server.aimed.stop.set()
        elif path == "/leave":
            self.server.aimed.gallery.leave(form.get("viewer", ""))
            self.answer(HTTPStatus.NO_CONTENT, b"", {})
        else:
            self.refuse(HTTPStatus.NOT_FOUND, "There is no such page.")

    def _look(self, asked: Mapping[str, str]) -> None:
        """The next picture, what is known of it in a header; 204: none came, 503: one viewer too many."""
        aimed, viewer = self.server.aimed, asked.get("viewer", "")
        focus = parts.drawn(asked.get("focus", ""))
        if not _VIEWER.fullmatch(viewer) or focus is None:
            self.refuse(HTTPStatus.BAD_REQUEST, "Load the page again.")
        elif not aimed.gallery.admit(viewer):
            text = f"{aimed.gallery.most} are looking already. This page tries again by itself."
            self.refuse(HTTPStatus.SERVICE_UNAVAILABLE, text)
        elif (shot := aimed.gallery.next(viewer, aimed.patience_s)) is None:
            self.answer(HTTPStatus.NO_CONTENT, b"", {})
        else:
            left_s = aimed.until_s - aimed.clock.now().mono_s
            told = told_of(shot, focus[0] if focus else MIDDLE, left_s)
            headers = {"Content-Type": "image/jpeg", "Dooryard-Look": json.dumps(told)}
            self.answer(HTTPStatus.OK, shot.jpeg, headers)

    def _measure(self, asked: Mapping[str, str]) -> None:
        shot = self.server.aimed.gallery.shot
        try:
            x0, y0, x1, y1, length_mm = (float(asked[key]) for key in ("x0", "y0", "x1", "y1", "mm"))
        except (KeyError, ValueError):
            self.refuse(HTTPStatus.BAD_REQUEST, "Draw a ruler and say how many millimetres it is long.")
            return
        found = None
        if shot is not None:
            large = shot.pixels.shape[1], shot.pixels.shape[0]
            found = measure((x0, y0), (x1, y1), length_mm, large, self.server.aimed.smallest)
        if found is None:
            self.refuse(HTTPStatus.BAD_REQUEST, "Draw a longer ruler, and give a length of 1 to 10000 mm.")
            return
        self.answer(HTTPStatus.OK, f"{found.text}\n".encode(), _TEXT)

    def _lines(self, asked: Mapping[str, str]) -> None:
        aimed = self.server.aimed
        ignored, black = (parts.drawn(asked.get(key, "")) for key in ("ignore", "blackout"))
        there = len(aimed.ignored), len(aimed.blacked_out)
        if (
            ignored is None
            or black is None
            or max(there[0] + len(ignored), there[1] + len(black)) > parts.MOST
        ):
            self.refuse(HTTPStatus.BAD_REQUEST, f"The box file takes {parts.MOST} parts of a kind at most.")
            return
        told = {
            "ignore": parts.ignore_lines(aimed.ignored, ignored),
            "blackout": parts.blackout_lines(aimed.blacked_out, black, aimed.shows),
        }
        self.answer(HTTPStatus.OK, json.dumps(told).encode(), _JSON)


def told_of(shot: Shot, focus: Box, left_s: float) -> dict[str, object]:
    """What the page shows beside a picture; all of it fits into a header."""
    height, width = shot.pixels.shape[:2]
    score = focus_score(shot.pixels, focus)
    return {
        "number": shot.number,
        "left_s": max(0, round(left_s)),
        "size": [width, height],
        "focus": None if score is None else round(score, 2),
        "exposure": exposure_text(shot.exposure),
        "learning": shot.learning,
        "moved": [
            [*(round(each, 4) for each in motion.box), str(motion.reject_reason or "")]
            for motion in shot.motions
        ],
    }


def exposure_text(exposure: Exposure) -> str:
    """In words: "8.0 ms, gain 2.0"; what the camera does not say is left out."""
    found = []
    if exposure.exposure_s is not None:
        found.append(f"{exposure.exposure_s * 1000:.3g} ms")
    if exposure.gain is not None:
        found.append(f"gain {exposure.gain:.1f}")
    return ", ".join(found) or "the camera does not say"


def page(aimed: Aimed, token: str) -> bytes:
    """The page's HTML."""
    html = _templates().get_template("aim.html").render(
        box=aimed.box,
        token=token,
        ignored=[" ".join(f"{x * 1000:.1f},{y * 1000:.1f}" for x, y in each) for each in aimed.ignored],
        blacked_out=len(aimed.blacked_out),
    )  # fmt: skip
    return html.encode("utf-8", "replace")


def _file(name: str) -> bytes:
    return (resources.files(__package__) / "page" / name).read_bytes()


@lru_cache(maxsize=1)
def _templates() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("dooryard.aim", "page"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
