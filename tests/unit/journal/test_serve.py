"""The served journal: a real server on loopback, asked by a real client."""

from __future__ import annotations

import http.client
import re
import socket
import threading
from datetime import timedelta
from urllib.parse import urlencode

import pytest

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.records import Outcome
from dooryard.history.database import AnnotationDatabase
from dooryard.journal import forms
from dooryard.journal.files import held
from dooryard.journal.serve import Served, serve
from dooryard.web.listen import Where
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY

TOKEN = "a-token-that-only-this-test-knows"
COOKIE = {"Cookie": f"dooryard={TOKEN}"}
DAY = "/day/2026-06-14.html"


class RealWait(FakeClock):
    """Shows the garden's time, and really waits."""

    def wait(self, event, timeout_s):
        return event.wait(timeout_s)


@pytest.fixture
def visits(row):
    return row.add((NOON, FINCH, Outcome.TELL), (NOON + timedelta(minutes=5), BIRD, Outcome.SILENT))


@pytest.fixture
def ask(row, visits):
    """A function that asks the server and gives (status, headers, body)."""
    stop, ready, links = threading.Event(), threading.Event(), []
    clock = RealWait(NOON + timedelta(hours=1))
    served = Served(row.state, row.site, POLICY, TOKEN, clock, "alder-row", {"wren": "bird"})

    def tell(link):
        links.append(link)
        ready.set()

    thread = threading.Thread(target=serve, args=(served, Where("127.0.0.1", 0, 60), stop, tell))
    thread.start()
    assert ready.wait(30)
    port = int(re.search(r":(\d+)/", links[0]).group(1))

    def asking(method, path, headers=None, values=None):
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
        body = urlencode(values) if values is not None else None
        connection.request(method, path, body, headers or {})
        answer = connection.getresponse()
        found = answer.status, dict(answer.getheaders()), answer.read().decode("utf-8", "replace")
        connection.close()
        return found

    asking.port, asking.link = port, links[0]
    yield asking
    stop.set()
    thread.join(20)
    assert not thread.is_alive()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=5)


def form(visit, what, name="", token=TOKEN, back="day/2026-06-14.html#visit-"):
    return {"visit": visit, "what": what, "name": name, "token": token, "back": f"{back}{visit}"}


def test_the_link_lets_in_once_the_token_is_traded_for_a_cookie(ask):
    assert ask("GET", "/")[0] == 403
    assert ask("GET", "/enter/wrong")[0] == 403
    assert ask("GET", DAY, {"Cookie": "dooryard=wrong"})[0] == 403
    path = ask.link.split(str(ask.port), 1)[1]
    status, headers, _ = ask("GET", path)
    assert (status, headers["Location"]) == (303, "/")
    assert headers["Set-Cookie"] == f"dooryard={TOKEN}; Path=/; HttpOnly; SameSite=Strict"
    status, headers, body = ask("GET", "/", COOKIE)
    assert status == 200
    assert "The journal of Alder Row" in body
    assert headers["Content-Security-Policy"].startswith("default-src 'none'")
    assert headers["Content-Type"] == "text/html; charset=utf-8"


def test_pictures_and_pages_are_served_and_nothing_else(ask, row):
    picture = next(row.site.glob("small/*/*.jpg")).relative_to(row.site)
    assert ask("GET", f"/{picture}", COOKIE)[1]["Content-Type"] == "image/jpeg"
    assert ask("HEAD", "/index.html", COOKIE)[2] == ""
    (row.site / "notes.txt").write_text("private")
    (row.site / "linked.html").symlink_to(row.state / "dooryard.sqlite3")
    paths = [
        "/.journal.json", "/../state/dooryard.sqlite3", "/%2e%2e/state/dooryard.sqlite3", "//etc/passwd",
        "/notes.txt", "/linked.html", "/day/2020-01-01.html", "/day/../index.html",
    ]  # fmt: skip
    for path in paths:
        assert ask("GET", path, COOKIE)[0] == 404, path


def test_marks_from_a_phone_and_taken_back(ask, row, visits):
    body = ask("GET", DAY, COOKIE)[2]
    assert body.count('<form method="post" action="../mark">') == 2
    status, headers, _ = ask("POST", "/mark", COOKIE, form(visits[1], "name", "Wren"))
    assert (status, headers["Location"]) == (303, f"/day/2026-06-14.html#visit-{visits[1]}")
    assert ask("POST", "/mark", COOKIE, form(visits[0], "nobody"))[0] == 303
    assert "Wren</a>" in ask("GET", DAY, COOKIE)[2]
    assert "Wren" in (row.site / "index.html").read_text()  # the pages themselves are brought up to date
    page = ask("GET", "/marks.html", COOKIE)[2]
    assert "it was a wren" in page
    assert "nobody was there" in page
    assert ask("POST", "/mark", COOKIE, form(visits[0], "undo"))[0] == 303
    database = AnnotationDatabase(row.state)
    assert database.said().keys() == {visits[1]}
    database.close()


@pytest.mark.parametrize(
    ("headers", "values", "status"),
    [
        ({}, form("x", "nobody"), 403),
        (COOKIE, form("x", "nobody", token="guessed"), 403),
        (COOKIE, {}, 403),
        (COOKIE, form("no-such-visit", "nobody"), 400),
        (COOKIE, form("", "name", ""), 400),
        (COOKIE, form("x", "keep") | {"name": "x" * 5000}, 413),
    ],
)
def test_what_is_no_mark_is_refused(ask, row, headers, values, status):
    assert ask("POST", "/mark", headers, values)[0] == status
    database = AnnotationDatabase(row.state)
    assert database.marks() == []
    database.close()


def test_new_visits_show_with_their_pictures_though_nobody_built_meanwhile(ask, row):
    row.add((NOON + timedelta(minutes=50), BIRD, Outcome.TELL))
    assert "3 visits" in ask("GET", "/", COOKIE)[2]
    for picture in re.findall(r'src="\.\./(small/[^"]+)"', ask("GET", DAY, COOKIE)[2]):
        assert ask("GET", f"/{picture}", COOKIE)[0] == 200


def test_a_mark_is_made_though_another_process_builds_at_that_moment(ask, row, visits):
    with held(row.site):
        assert ask("POST", "/mark", COOKIE, form(visits[0], "keep"))[0] == 303
        assert "Kept" in ask("GET", DAY, COOKIE)[2]


def test_a_length_that_is_no_number_is_refused(ask):
    with socket.create_connection(("127.0.0.1", ask.port), timeout=20) as peer:
        peer.sendall("POST /mark HTTP/1.0\r\nContent-Length: \u00b2\r\n\r\n".encode("latin-1"))
        assert b" 413 " in peer.recv(100)


def test_a_form_never_leads_elsewhere():
    elsewhere = (
        "https://elsewhere.example/",
        "//elsewhere.example",
        "day/../../x.html",
        "index.html\r\nX: y",
    )
    for back in elsewhere:
        assert forms.read({"back": back}).back == ""
    assert forms.read({"back": "marks.html"}).back == "marks.html"


@pytest.mark.parametrize(
    "address", ["0.0.0.0", "::", "", "*", "0", "0.0", "0x0", "00", "0::0", "::ffff:0.0.0.0"]
)
def test_not_on_all_addresses(row, visits, address):
    served = Served(row.state, row.site, POLICY, TOKEN, SystemClock())
    with pytest.raises(ConfigError, match="not served on all addresses"):
        serve(served, Where(address, 0, 60), threading.Event(), print)


@pytest.mark.parametrize(
    ("port", "minutes", "says"),
    [
        (99999, 30, "no port 99999"), (-1, 30, "no port -1"), (0, 0, "for 0 minutes"), (0, -5, "for -5"),
        (0, float("nan"), "for nan"), (0, float("inf"), "for inf"), (0, 1441, "for 1441"),
    ],
)  # fmt: skip
def test_no_such_port_and_no_such_time_are_refused_before_anything_is_built(row, visits, port, minutes, says):
    served = Served(row.state, row.site, POLICY, TOKEN, FakeClock(NOON))
    with pytest.raises(ConfigError, match=says):
        serve(served, Where("127.0.0.1", port, minutes * 60), threading.Event(), print)
    assert not row.site.exists()


def test_a_name_that_no_host_can_have(row, visits):
    served = Served(row.state, row.site, POLICY, TOKEN, FakeClock(NOON))
    with pytest.raises(StoreError, match="cannot listen on"):
        serve(served, Where("a" * 70, 0, 60), threading.Event(), print)


def test_an_address_that_is_not_ours(row, visits):
    served = Served(row.state, row.site, POLICY, TOKEN, FakeClock(NOON))
    with pytest.raises(StoreError, match=r"cannot listen on 192\.0\.2\.1"):
        serve(served, Where("192.0.2.1", 0, 60), threading.Event(), print)


def test_it_ends_when_the_time_is_up(row, visits):
    served = Served(row.state, row.site, POLICY, TOKEN, FakeClock(NOON))  # its wait passes at once
    links = []
    serve(served, Where("127.0.0.1", 0, 600), threading.Event(), links.append)
    assert links[0].endswith(f"/enter/{TOKEN}")


def mute(until, token=TOKEN, back="marks.html"):
    return {"until": until, "token": token, "back": back}


def test_a_mute_from_a_phone_shown_and_ended(ask, row):
    for page in ("/", DAY, "/marks.html"):
        assert "Send only what is urgent" in ask("GET", page, COOKIE)[2]
    status, headers, _ = ask("POST", "/mute", COOKIE, mute("tomorrow"))
    assert (status, headers["Location"]) == (303, "/marks.html")
    for page in ("/", DAY, "/marks.html"):
        body = ask("GET", page, COOKIE)[2]
        assert "Only urgent alerts are sent: muted until 06:00." in body
        assert "End the mute" in body
    assert "urgent" not in (row.site / "index.html").read_text()  # nobody else is to know
    assert ask("POST", "/mute", COOKIE, mute("end", back="index.html"))[1]["Location"] == "/"
    assert "muted" not in ask("GET", "/", COOKIE)[2]


@pytest.mark.parametrize(
    ("headers", "values", "status"),
    [
        ({}, mute("2h"), 403),
        (COOKIE, mute("2h", token="guessed"), 403),
        (COOKIE, {}, 403),
        (COOKIE, mute(""), 400),
        (COOKIE, mute("soon"), 400),
        (COOKIE, mute("2050-01-01"), 400),
    ],
)
def test_a_mute_that_is_not_allowed_or_makes_no_sense(ask, row, headers, values, status):
    assert ask("POST", "/mute", headers, values)[0] == status
    database = AnnotationDatabase(row.state)
    assert database.muted_until() is None
    database.close()
