"""The aiming page in a real browser: headless Chromium at a phone's width, light and dark.

Outside sources: axe-core (npm, Deque Systems) for WCAG 2.0, 2.1 and 2.2 at levels A and AA; success criterion
2.5.8 of WCAG 2.2 for targets of 24 CSS pixels; the Nu HTML checker (npm vnu-jar) for HTML.
"""

from __future__ import annotations

import json
import subprocess
import threading
from urllib.parse import urlsplit

import cv2
import numpy as np
import pytest

from dooryard.aim.live import Gallery, Shot, jpeg_of
from dooryard.aim.serve import Aimed, AimServer, page
from dooryard.box.file import parse_box
from dooryard.core.clock import FakeClock
from dooryard.core.records import Box, Exposure, Motion, RejectReason
from dooryard.web.listen import Where, listening
from journal_pages.browser_tools import axe, vnu
from screenshots_browser import Browser, find

pytestmark = [
    pytest.mark.process,
    pytest.mark.skipif(find() is None, reason="no Chromium here (Debian: apt install chromium)"),
]

TOKEN = "token-of-the-browser-test"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
SHARP = np.random.default_rng(1).integers(0, 256, (480, 640, 3), np.uint8)
BLURRED = cv2.GaussianBlur(SHARP, (0, 0), 1.0)
MOVED = (Motion(Box(0.1, 0.2, 0.3, 0.4), 2.0), Motion(Box(0.5, 0.5, 0.6, 0.6), 1.0, RejectReason.SWAY))
UNTIL = """new Promise((done) => {{
  const look = () => ({0}) ? done(true) : requestAnimationFrame(look);
  look();
}})"""


class Shown:
    """What is aimed, with a way to show the next picture."""

    def __init__(self):
        clock = FakeClock()
        self.gallery, self.number = Gallery(clock), 0
        self.aimed = Aimed(
            "Alder Row box", self.gallery, clock, clock.now().mono_s + 840, threading.Event(), 0.04,
            ignored=(((0.8, 0.0), (1.0, 0.0), (1.0, 0.3)),), blacked_out=((0.0, 0.0, 0.1, 0.1),),
        )  # fmt: skip

    def show(self, pixels, motions=MOVED):
        self.number += 1
        self.gallery.show(Shot(self.number, jpeg_of(pixels), pixels, motions, False, Exposure(0.008, 2.0)))


@pytest.fixture(scope="module")
def box():
    return Shown()


@pytest.fixture(scope="module")
def link(box):
    made = listening(Where("127.0.0.1", 0, 60), lambda at: AimServer(at, box.aimed, TOKEN))
    with made as (_server, link):
        yield link


@pytest.fixture(scope="module")
def browser(link):
    with Browser(find()) as found:
        found.call("Page.setBypassCSP", {"enabled": False})  # the page's own policy is to hold here
        found.call("Log.enable")
        yield found


@pytest.fixture
def opened(browser, link, box):
    """The page at a phone's width, with its first picture."""
    browser.view(390, 844)
    browser.open(link)
    box.show(SHARP)
    until(browser, "document.getElementById('score').textContent !== '–'")
    yield browser
    browser.run("dispatchEvent(new Event('pagehide'))")


def until(browser, condition):
    assert browser.run(UNTIL.format(condition))


def text(browser, name):
    return browser.run(f"document.getElementById('{name}').textContent")


def choose(browser, tool):
    browser.run(f"document.querySelector('input[value={tool}]').click()")


def spot(browser, x, y):
    box = json.loads(browser.run("JSON.stringify(document.getElementById('stage').getBoundingClientRect())"))
    return {"x": box["x"] + x * box["width"], "y": box["y"] + y * box["height"]}


def drag(browser, start, end):
    half = tuple((a + b) / 2 for a, b in zip(start, end, strict=True))
    kinds = (("Pressed", start), ("Moved", half), ("Moved", end), ("Released", end))
    for kind, at in kinds:
        values = {"type": f"mouse{kind}", "button": "left", "buttons": 1, "clickCount": 1}
        browser.call("Input.dispatchMouseEvent", values | spot(browser, *at))


def swipe(browser, start, end):
    for kind, at in (("touchStart", start), ("touchMove", end), ("touchEnd", None)):
        points = [spot(browser, *at)] if at else []
        browser.call("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})


def press(browser, key):
    for kind in ("rawKeyDown", "keyUp"):
        browser.call("Input.dispatchKeyEvent", {"type": kind, "key": key, "code": key})


def test_no_violation_of_wcag_a_or_aa(opened):
    choose(opened, "ignore")
    drag(opened, (0.1, 0.1), (0.4, 0.4))
    until(opened, "document.getElementById('toml').value.includes('ignore')")
    found = []
    for width, dark in ((390, False), (390, True), (1280, False)):
        opened.view(width, 844, dark=dark)
        opened.run(axe() + "; 0")
        options = json.dumps({"runOnly": TAGS})
        report = json.loads(opened.run(f"axe.run(document, {options}).then(r => JSON.stringify(r))"))
        assert len(report["passes"]) > 10  # it did look
        found += [(width, dark, each["id"], [node["html"][:120] for node in each["nodes"][:3]])
                  for each in report["violations"]]  # fmt: skip
    assert found == []


def test_it_keeps_to_its_own_policy_and_asks_nobody_else(opened, link):
    choose(opened, "ruler")
    drag(opened, (0.2, 0.5), (0.6, 0.5))
    until(opened, "document.getElementById('sparrow').textContent.includes('pixels')")
    sent = [each["params"]["request"]["url"] for each in opened.events
            if each["method"] == "Network.requestWillBeSent"]  # fmt: skip
    home = urlsplit(link).netloc
    assert {urlsplit(each).netloc for each in sent if not each.startswith(("data:", "blob:"))} == {home}
    logged = [each["params"]["entry"]["text"] for each in opened.events if each["method"] == "Log.entryAdded"]
    assert logged == []


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_it_fits_and_its_targets_are_large_enough(opened, width):
    opened.view(width, 844)
    assert opened.run("document.documentElement.scrollWidth") <= width
    small = opened.run(
        "[...document.querySelectorAll('button, input:not([type=hidden]), .tools label')].filter((each) => {"
        " const r = each.getBoundingClientRect(); return r.width && (r.width < 24 || r.height < 24); })"
        ".map((each) => each.outerHTML)"
    )
    assert small == []


def test_the_needle_falls_when_the_lens_is_turned_past_the_best(opened, box):
    best = float(text(opened, "best"))
    for _ in range(3):  # what is shown is the middle of three
        box.show(BLURRED)
        until(opened, f"document.getElementById('left').dataset.number === '{box.number}'")
    assert float(text(opened, "score")) < best / 2
    assert float(text(opened, "best")) == best
    turned = opened.run("document.getElementById('needle').getAttribute('transform')")
    assert float(turned.removeprefix("rotate(").split()[0]) < 0
    opened.run("document.getElementById('restart').click()")
    box.show(BLURRED)
    until(opened, f"document.getElementById('left').dataset.number === '{box.number}'")
    assert float(text(opened, "best")) < best / 2


def test_what_the_gate_sees_is_drawn_and_said(opened):
    assert text(opened, "state") == "The gate sees: 1 worth a look; 1 held back: sway."
    assert opened.run("document.querySelectorAll('#over rect.moved').length") == 1
    assert opened.run("document.querySelectorAll('#over rect.held').length") == 1
    assert opened.run("document.querySelectorAll('#over polygon.ignore').length") == 1
    assert text(opened, "left") == "14 min left"
    assert text(opened, "exposure") == "8 ms, gain 2.0"


def test_a_ruler_is_dragged_and_its_length_changed(opened):
    choose(opened, "ruler")
    drag(opened, (0.2, 0.5), (0.7, 0.5))
    until(opened, "document.getElementById('sparrow').textContent.includes('pixels')")
    assert "is 448 to 512 pixels long here" in text(opened, "sparrow")
    opened.run(
        "{ const mm = document.getElementById('mm'); mm.value = '200';"
        " mm.dispatchEvent(new Event('input')); }"
    )
    until(opened, "document.getElementById('sparrow').textContent.includes('224 to 256')")


def lines(browser):
    return browser.run("document.getElementById('toml').value")


def test_parts_are_drawn_by_mouse_finger_taps_and_keys_and_the_lines_appear(opened):
    choose(opened, "ignore")
    drag(opened, (0.25, 0.25), (0.5, 0.5))
    choose(opened, "blackout")
    swipe(opened, (0.5, 0.25), (0.75, 0.5))
    for corner in ((0.2, 0.6), (0.4, 0.8)):
        drag(opened, corner, corner)
    opened.run("document.getElementById('stage').focus()")
    for key in ("Enter", "Enter", "ArrowRight", "ArrowDown", "Enter"):
        press(opened, key)
    until(opened, "document.querySelectorAll('#drawn li').length === 4")
    until(opened, "document.getElementById('toml').value.split('\\n').length === 14")
    read = parse_box(lines(opened).replace("[camera]\n", '[camera]\nkind = "fake"\n'), "box.toml").value
    assert len(read.gate.ignore) == 2  # with the one that was there
    assert read.gate.ignore[1][0] == pytest.approx((0.25, 0.25), abs=0.005)
    assert read.gate.ignore[1][2] == pytest.approx((0.5, 0.5), abs=0.005)
    black = read.camera.blackout
    assert black[0] == (0, 0, 0.1, 0.1)
    assert black[1] == pytest.approx((0.5, 0.25, 0.75, 0.5), abs=0.005)
    assert black[2] == pytest.approx((0.2, 0.6, 0.4, 0.8), abs=0.005)
    assert black[3] == pytest.approx((0.5, 0.5, 0.52, 0.52), abs=0.005)
    opened.run("document.querySelector('#drawn button').click()")
    until(opened, "!document.getElementById('toml').value.includes('ignore')")
    assert "blackout" in lines(opened)


def test_the_nu_html_checker_finds_nothing(box, tmp_path):
    file = tmp_path / "aim.html"
    file.write_bytes(page(box.aimed, TOKEN))
    done = subprocess.run(
        [*vnu(), "--format", "json", str(file)], check=False, capture_output=True, timeout=120
    )
    assert [each["message"] for each in json.loads(done.stderr)["messages"]] == []
