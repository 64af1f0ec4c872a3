"""The journal in a real browser: headless Chromium, light and dark, on a phone and a desk.

Outside sources: axe-core (npm, Deque Systems) for WCAG 2.0, 2.1 and 2.2 at levels A and AA; WCAG 2.2, success
criterion 1.4.10, for the 320 CSS pixels that a page must fit; the Nu HTML checker (npm vnu-jar) for HTML.
"""

from __future__ import annotations

import json
import re
import subprocess
import threading
from datetime import timedelta
from urllib.parse import urlsplit

import pytest

from dooryard.core.clock import FakeClock
from dooryard.core.records import Outcome, Visitor
from dooryard.history import annotations as marks
from dooryard.history.database import AnnotationDatabase
from dooryard.journal.build import build
from dooryard.journal.serve import Served, serve
from dooryard.web.listen import Where
from journal_pages.browser_tools import axe, vnu
from screenshots_browser import Browser, find
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY, SQUIRREL, WICKED, AlderRow

pytestmark = [
    pytest.mark.process,
    pytest.mark.skipif(find() is None, reason="no Chromium here (Debian: apt install chromium)"),
]

TELL, HOLD, SILENT = Outcome.TELL, Outcome.HOLD, Outcome.SILENT
DAY = timedelta(days=1)
LONG = Visitor("bird", 0.71, "anextraordinarilylongnamewithoutasinglespace of the hedge", "Avis longa")
KINDS = {
    "first page": "index.html",
    "day": "day/2026-06-14.html",
    "undated": "day/undated.html",
    "visitor": "visitor/house-finch.html",
    "held back": "held-back.html",
    "calendar": "calendar-2026.html",
    "about": "about.html",
    "marks": "marks.html",
}
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22a", "wcag22aa"]
SIZES = ((390, 844), (1280, 900))


class RealWait(FakeClock):
    def wait(self, event, timeout_s):
        return event.wait(timeout_s)


@pytest.fixture(scope="module")
def row(tmp_path_factory):
    """A journal with every kind of page and every kind of card."""
    row = AlderRow(tmp_path_factory.mktemp("row"))
    past = [(NOON - n * DAY, (FINCH, BIRD, SQUIRREL)[n % 3], (TELL, SILENT)[n % 2]) for n in range(1, 40)]
    row.add(*past)
    ids = row.add((NOON, FINCH, TELL), (NOON + DAY / 24, BIRD, HOLD), (NOON + DAY / 12, WICKED, SILENT),
                  (NOON + DAY / 8, LONG, TELL), (NOON + DAY / 7, SQUIRREL, SILENT))  # fmt: skip
    row.add((NOON + DAY / 6, BIRD, SILENT), picture=False)
    row.add((NOON, BIRD, TELL), clock_set=False)
    database = AnnotationDatabase(row.state)
    database.off(NOON - DAY / 24, NOON - DAY / 48, "heat")
    database.reading(NOON, "enclosure", 48.2)
    database.held(NOON.date(), "sway", 212)
    database.close()
    for visit, what in zip(ids, ("keep", "nobody", "hide", "wren"), strict=False):
        marks.make(row.state, visit, what, NOON)
    build(row.state, row.site, POLICY, NOON + DAY / 2, box="alder-row")
    return row


@pytest.fixture(scope="module")
def link(row):
    """The served journal's address, with its token."""
    stop, ready, links = threading.Event(), threading.Event(), []
    served = Served(
        row.state, row.site, POLICY, "token-of-the-browser-test", RealWait(NOON + DAY / 2), "alder-row"
    )

    def tell(found):
        links.append(found)
        ready.set()

    thread = threading.Thread(target=serve, args=(served, Where("127.0.0.1", 0, 300), stop, tell))
    thread.start()
    assert ready.wait(30)
    yield links[0]
    stop.set()
    thread.join(20)


@pytest.fixture(scope="module")
def browser(link):
    with Browser(find()) as found:
        found.open(link)
        yield found


def at(link, path):
    parts = urlsplit(link)
    return f"{parts.scheme}://{parts.netloc}/{path}"


@pytest.mark.parametrize("kind", KINDS)
def test_no_violation_of_wcag_a_or_aa(browser, link, kind):
    source, found = axe(), []
    for width, height in SIZES:
        for dark in (False, True):
            browser.view(width, height, dark=dark)
            browser.open(at(link, KINDS[kind]))
            browser.run("document.querySelectorAll('details').forEach(each => each.open = true)")
            browser.run(source + "; 0")
            options = json.dumps({"runOnly": TAGS})
            result = browser.run(f"axe.run(document, {options}).then(r => JSON.stringify(r))")
            report = json.loads(result)
            assert len(report["passes"]) > 10  # it did look
            for each in report["violations"]:
                nodes = [node["html"][:120] for node in each["nodes"][:3]]
                found.append((width, dark, each["id"], each["help"], nodes))
    assert found == []


def test_the_check_itself_catches(browser, link):
    browser.view(390, 844)
    browser.open(at(link, "index.html"))
    browser.run(axe() + "; 0")
    browser.run("document.querySelector('img').removeAttribute('alt'); document.body.style.color = '#ccc'; 0")
    result = browser.run("axe.run(document).then(r => r.violations.map(each => each.id))")
    assert {"image-alt", "color-contrast"} <= set(result)


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_is_asked_of_anybody_else_and_every_picture_shows(browser, link, kind):
    browser.view(1280, 900)
    requests = browser.open(at(link, KINDS[kind]))
    home = urlsplit(link).netloc
    assert {urlsplit(each).netloc for each in requests if not each.startswith("data:")} == {home}
    broken = browser.run("[...document.images].filter(each => !each.naturalWidth).map(each => each.src)")
    assert broken == []
    assert browser.run("document.scripts.length") == 0
    refused = [each for each in browser.events if each["method"] == "Network.responseReceived"
               and each["params"]["response"]["status"] >= 400]  # fmt: skip
    assert refused == []


@pytest.mark.parametrize("kind", KINDS)
def test_it_fits_the_narrowest_phone(browser, link, kind):
    browser.view(320, 640)
    browser.open(at(link, KINDS[kind]))
    assert browser.run("document.documentElement.scrollWidth") <= 320


def test_every_link_leads_somewhere(browser, link):
    seen, ahead = set(), [at(link, "index.html"), at(link, "marks.html")]
    while ahead:
        page = ahead.pop()
        if page in seen:
            continue
        seen.add(page)
        browser.open(page)
        assert browser.run("document.querySelectorAll('main h1').length") == 1, page
        links = browser.run("[...document.links].map(each => each.href)")
        anchors = [each for each in links if each.startswith(f"{page}#")]
        for each in anchors:
            name = each.split("#")[1]
            assert browser.run(f"document.getElementById({json.dumps(name)}) !== null"), each
        ahead += [each.split("#")[0] for each in links if re.search(r"\.html(#|$)", each)]
    assert len(seen) > 45


def press(browser, key, code, text=None):
    values = {"key": key, "code": key, "windowsVirtualKeyCode": code} | ({"text": text} if text else {})
    browser.call("Input.dispatchKeyEvent", {"type": "keyDown" if text else "rawKeyDown"} | values)
    browser.call("Input.dispatchKeyEvent", {"type": "keyUp"} | values)


def test_the_keyboard_comes_first_to_the_way_round_the_menu(browser, link):
    browser.view(1280, 900)
    browser.open(at(link, "day/2026-06-14.html"))
    press(browser, "Tab", 9)
    assert browser.run("document.activeElement.className") == "skip"
    assert browser.run("document.activeElement.getBoundingClientRect().left") >= 0
    press(browser, "Enter", 13, "\r")
    assert browser.run("location.hash") == "#content"


def test_a_mark_can_be_made_without_script(browser, link, row):
    page = at(link, "day/2026-06-14.html")
    browser.view(390, 844)
    browser.open(page)
    browser.call("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.open(page)
        where = "article.card:last-of-type"
        browser.run(f"document.querySelector('{where} details.mark').open = true")
        spot = browser.run(
            f"(() => {{ const all = document.querySelectorAll('{where} button[value=keep]');"
            " const last = all[all.length - 1]; last.closest('details').open = true;"
            " last.scrollIntoView({block: 'center', behavior: 'instant'});"
            " const r = last.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]; })()"
        )
        before = marks.kept(row.state)
        browser.events.clear()
        for kind in ("mousePressed", "mouseReleased"):
            values = {"type": kind, "x": spot[0], "y": spot[1], "button": "left", "clickCount": 1}
            browser.call("Input.dispatchMouseEvent", values)
        browser.wait_loaded()
        assert len(marks.kept(row.state)) == len(before) + 1
        assert "#visit-" in browser.run("location.href")
    finally:
        browser.call("Emulation.setScriptExecutionDisabled", {"value": False})


def test_the_files_themselves_can_be_looked_at(browser, row):
    browser.view(1280, 900)
    requests = browser.open((row.site / "day/2026-06-14.html").as_uri())
    assert all(each.startswith(("file:", "data:")) for each in requests)
    assert browser.run("[...document.images].filter(each => !each.naturalWidth).length") == 0
    assert browser.run("document.forms.length") == 0
    assert browser.run("getComputedStyle(document.querySelector('.card')).display") == "flex"


def test_the_nu_html_checker_finds_nothing(row, tmp_path):
    command = vnu()
    command += ["--format", "json", "--skip-non-html", str(row.site)]
    done = subprocess.run(command, check=False, capture_output=True, timeout=120)
    messages = json.loads(done.stderr)["messages"]
    assert [(each.get("url", "")[-40:], each["message"]) for each in messages] == []
