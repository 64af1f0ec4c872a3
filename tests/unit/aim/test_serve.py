"""The aiming page's server: a real one on loopback, asked by a real client."""

from __future__ import annotations

import http.client
import json
import re
import threading
from urllib.parse import urlencode

import numpy as np
import pytest

from dooryard.aim.live import Gallery, Shot, jpeg_of
from dooryard.aim.serve import Aimed, AimServer, exposure_text
from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.records import Box, Exposure, Motion, RejectReason
from dooryard.web.listen import Where, listening

TOKEN = "a-token-that-only-this-test-knows"
COOKIE = {"Cookie": f"dooryard-aim={TOKEN}"}
PIXELS = np.random.default_rng(1).integers(0, 256, (480, 640, 3), np.uint8)
MOVED = (
    Motion(Box(0.1, 0.2, 0.3, 0.4), 2.0),
    Motion(Box(0.5, 0.5, 0.6, 0.6), 1.0, RejectReason.SWAY),
)
ONE, TWO, THREE = "a" * 16, "b" * 16, "c" * 16


def shot(number):
    return Shot(number, jpeg_of(PIXELS), PIXELS, MOVED, False, Exposure(0.008, 2.0))


class Page:
    """Asks the server and gives (status, headers, body as bytes)."""

    def __init__(self, port, link, aimed):
        self.port, self.link, self.aimed = port, link, aimed

    def __call__(self, method, path, headers=COOKIE, values=None, **query):
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        body = urlencode(values) if values is not None else None
        asked = f"{path}?{urlencode(query)}" if query else path
        connection.request(method, asked, body, headers)
        answer = connection.getresponse()
        found = answer.status, dict(answer.getheaders()), answer.read()
        connection.close()
        return found


@pytest.fixture
def ask():
    clock = FakeClock()
    aimed = Aimed(
        "alder-row", Gallery(clock), clock, clock.now().mono_s + 600, threading.Event(), 0.04,
        ignored=(((0.8, 0.0), (1.0, 0.0), (1.0, 0.3)),), blacked_out=((0.0, 0.0, 0.1, 0.1),), patience_s=0.0,
    )  # fmt: skip
    with listening(Where("127.0.0.1", 0, 600), lambda at: AimServer(at, aimed, TOKEN)) as (server, link):
        yield Page(server.server_port, link, aimed)


PATHS = ["/", "/look", "/measure", "/lines", "/aim.js", "/aim.css", "/style.css", "/elsewhere"]


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize(
    "headers",
    [{}, {"Cookie": "dooryard-aim=wrong"}, {"Cookie": f"dooryard={TOKEN}"}, {"Cookie": "dooryard-aim="}],
)
def test_nobody_gets_anything_without_the_token(ask, path, headers):
    ask.aimed.gallery.show(shot(1))
    status, _, body = ask("GET", path, headers, viewer=ONE)
    assert status == 403
    assert body == b"Open the page by the link that was shown at its start.\n"
    assert ask("HEAD", path, headers)[0] == 403


@pytest.mark.parametrize("path", ["/end", "/leave"])
@pytest.mark.parametrize(
    ("headers", "token"), [({}, TOKEN), (COOKIE, "guessed"), (COOKIE, ""), ({}, "guessed")]
)
def test_nor_ends_it(ask, path, headers, token):
    assert ask("POST", path, headers, {"token": token, "viewer": ONE})[0] == 403
    assert not ask.aimed.stop.is_set()


def test_the_link_lets_in(ask):
    assert ask("GET", "/enter/wrong", {})[0] == 403
    path = ask.link.split(str(ask.port), 1)[1]
    status, headers, _ = ask("GET", path, {})
    assert (status, headers["Location"]) == (303, "/")
    assert headers["Set-Cookie"] == f"dooryard-aim={TOKEN}; Path=/; HttpOnly; SameSite=Strict"


def test_the_page_and_its_files(ask):
    status, headers, body = ask("GET", "/")
    assert status == 200
    policy = headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert "script-src 'self'" in policy
    html = body.decode()
    assert "Aim and focus alder-row" in html
    assert "800.0,0.0 1000.0,0.0 1000.0,300.0" in html
    assert not re.search(r"style=|<script>|onclick", html)
    for name, kind in (("aim.js", "text/javascript"), ("aim.css", "text/css"), ("style.css", "text/css")):
        assert name in html
        assert ask("GET", f"/{name}")[1]["Content-Type"].startswith(kind)
    for path in ("/aim.html", "/../aim.js", "/%2e%2e/serve.py", "/page/aim.js", "/look.py"):
        assert ask("GET", path)[0] == 404, path


def test_a_picture_with_what_is_known_of_it(ask):
    ask.aimed.gallery.show(shot(1))
    status, headers, body = ask("GET", "/look", viewer=ONE)
    assert (status, headers["Content-Type"]) == (200, "image/jpeg")
    assert body.startswith(b"\xff\xd8")
    told = json.loads(headers["Dooryard-Look"])
    assert told["moved"] == [[0.1, 0.2, 0.3, 0.4, ""], [0.5, 0.5, 0.6, 0.6, "sway"]]
    assert (told["number"], told["left_s"], told["size"]) == (1, 600, [640, 480])
    assert told["exposure"] == "8 ms, gain 2.0"
    assert told["focus"] > 0
    assert ask("GET", "/look", viewer=ONE)[0] == 204  # each once
    assert ask("GET", "/look", viewer=TWO, focus="0.1,0.1,0.4,0.4")[0] == 200


def test_a_third_viewer_is_told_so(ask):
    ask.aimed.gallery.show(shot(1))
    assert ask("GET", "/look", viewer=ONE)[0] == 200
    assert ask("GET", "/look", viewer=TWO)[0] == 200
    status, _, body = ask("GET", "/look", viewer=THREE)
    assert (status, body) == (503, b"2 are looking already. This page tries again by itself.\n")
    assert ask("POST", "/leave", COOKIE, {"token": TOKEN, "viewer": TWO})[0] == 204
    assert ask("GET", "/look", viewer=THREE)[0] == 200


@pytest.mark.parametrize("query", [{}, {"viewer": "x"}, {"viewer": "A" * 16}, {"viewer": ONE, "focus": "x"}])
def test_what_no_page_of_ours_asks(ask, query):
    assert ask("GET", "/look", **query)[0] == 400


def test_the_ruler_and_the_lines(ask):
    ruler = {"x0": 0.25, "y0": 0.5, "x1": 0.5, "y1": 0.5}
    assert ask("GET", "/measure", mm=100, **ruler)[0] == 400  # no picture yet
    ask.aimed.gallery.show(shot(1))
    status, _, body = ask("GET", "/measure", mm=100, **ruler)
    assert status == 200
    assert b"is 224 to 256 pixels long here" in body
    for mm in ("", "x", "0", "nan", "-1"):
        assert ask("GET", "/measure", mm=mm, **ruler)[0] == 400
    told = json.loads(ask("GET", "/lines", ignore="0.1,0.1,0.2,0.2", blackout="0.5,0.5,0.7,0.7")[2])
    assert told["blackout"].startswith("[camera]\nblackout = [\n  [0, 0, 0.1, 0.1],\n  [0.5, 0.5, 0.7, 0.7],")
    assert told["ignore"].count("[[") == 2
    assert json.loads(ask("GET", "/lines")[2]) == {"ignore": "", "blackout": ""}
    assert ask("GET", "/lines", ignore="nonsense")[0] == 400
    for key in ("ignore", "blackout"):  # 32 with the one that was there are too many
        assert ask("GET", "/lines", **{key: ";".join(["0.1,0.1,0.2,0.2"] * 31)})[0] == 200
        assert ask("GET", "/lines", **{key: ";".join(["0.1,0.1,0.2,0.2"] * 32)})[0] == 400


def test_whoever_is_done_ends_it(ask):
    assert ask("POST", "/end", COOKIE, {"token": TOKEN})[0] == 200
    assert ask.aimed.stop.wait(20)  # set once the answer is out


def test_a_form_that_is_too_large_is_refused(ask):
    assert ask("POST", "/end", COOKIE, {"token": "x" * 5000})[0] == 413


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "", "*", "0", "0x0"])
def test_not_on_all_addresses(address):
    with pytest.raises(ConfigError, match="the live picture is not served on all addresses"):
        Where(address, 0, 60, "the live picture").check()


def test_an_address_that_is_not_this_machines():
    where = Where("192.0.2.1", 0, 60)  # RFC 5737: for documentation
    with (
        pytest.raises(StoreError, match="cannot listen on"),
        listening(where, lambda at: AimServer(at, None, "")),
    ):
        pass


def test_what_the_camera_says_of_its_exposure():
    assert exposure_text(Exposure()) == "the camera does not say"
    assert exposure_text(Exposure(0.0333)) == "33.3 ms"
    assert exposure_text(Exposure(None, 4.0)) == "gain 4.0"
