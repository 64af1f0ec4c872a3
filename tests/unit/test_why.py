"""The reason of a visit, from a store that is in use."""

from __future__ import annotations

import contextlib
import io
import sqlite3
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from dooryard.cli.explain import why
from dooryard.core.clock import FakeClock
from dooryard.core.errors import ConfigError, StoreError
from dooryard.outbox.store import Store
from dooryard.policy.decide import decide
from dooryard.policy.say import alert_for, still_here_alert
from dooryard.policy.state import PolicyState
from fakes.rules import SINKS, START, later, policy, visit


@pytest.fixture
def folder(tmp_path):
    """A state folder with one visit that was told and one in its cooldown, still held by its daemon."""
    rules, state = policy({"cooldown_min": 10}), PolicyState()
    store = Store.open(tmp_path, FakeClock())
    for n, at_s in ((1, 0), (2, 60)):
        seen = replace(visit(start=later(at_s), ended=True), id=f"01ab{n}-visit")
        state, decision = decide(rules, state, seen, later(at_s), True, sinks=SINKS)
        alerts = [alert_for(rules, seen, decision, START, True)] if decision.sinks else []
        store.record_visit(seen, None, decision, alerts)
    yield tmp_path
    store.close()


def told(folder, name):
    out = io.StringIO()
    assert why(folder, name, out) == 0
    return out.getvalue().split("\n")


def test_why_it_was_told(folder):
    lines = told(folder, "01ab1-visit")
    assert lines[1] == "A squirrel, 90 % sure at the end, 2026-06-14 13:03:00 UTC, stayed 12 s"
    assert lines[2] == 'Sent: Alder Row, a squirrel: by rule "rule 1" to phone, post'
    assert "  met      cooldown: cooldown of 10 min has not begun" in lines
    assert "  phone: waiting, 0 tries" in lines


def test_why_not(folder):
    lines = told(folder, "last")
    assert lines[0] == "Visit 01ab2-visit"
    assert "  not met  cooldown: cooldown of 10 min has 9 min left" in lines
    assert "At the time of the decision:" in lines
    assert told(folder, "01ab2") == lines


def test_an_end_of_the_id_is_enough_and_times_are_those_of_the_place(folder):
    store = Store.open(folder / "other", FakeClock())
    seen = replace(visit(ended=True), id="01ab3-abcd")
    store.record_visit(seen, None, decide(policy({}), PolicyState(), seen, START, True, sinks=SINKS)[1], [])
    store.close()
    out = io.StringIO()
    assert why(folder / "other", "ABCD", out, ZoneInfo("Europe/London")) == 0
    assert "2026-06-14 14:03:00 BST" in out.getvalue()


def test_how_sure_it_was_at_the_decision_and_is_at_the_end(folder):
    with contextlib.closing(sqlite3.connect(folder / "dooryard.sqlite3")) as db, db:
        db.execute("UPDATE visits SET sure = 0.75 WHERE id = '01ab1-visit'")
    lines = told(folder, "01ab1")
    assert lines[1].startswith("A squirrel, 75 % sure at the end, ")
    assert "At the time of the decision: a squirrel, 90 % sure" in lines


def test_no_such_visit(folder, tmp_path):
    with pytest.raises(ConfigError, match="there is no visit 'xxxx'"):
        why(folder, "xxxx", io.StringIO())
    with pytest.raises(
        ConfigError, match=r"fits several visits:\n  01ab2-visit: .* UTC, a squirrel\n  01ab1-visit: "
    ):
        why(folder, "01ab", io.StringIO())
    with pytest.raises(ConfigError):
        why(folder, "", io.StringIO())
    with pytest.raises(StoreError):
        why(tmp_path / "elsewhere", "last", io.StringIO())


def test_a_store_that_is_none(tmp_path):
    (tmp_path / "dooryard.sqlite3").write_bytes(b"no database at all" * 100)
    with pytest.raises(StoreError, match="the database is damaged"):
        why(tmp_path, "last", io.StringIO())


def test_a_second_message_is_shown_beside_the_first(tmp_path):
    rules = policy({"visitor": "cat", "still_here_min": 10, "send_to": ["phone"]})
    with contextlib.closing(Store.open(tmp_path, FakeClock())) as store:
        here = visit("cat", stay_s=600)
        _, decision = decide(rules, PolicyState(), here, START, True, sinks=SINKS)
        store.record_visit(here, None, decision, [alert_for(rules, here, decision, START, True)])
        store.add_alert(still_here_alert(rules, here, decision, later(600), True, picture=None))
        assert told(tmp_path, here.id)[-4:-1] == [
            "  phone: waiting, 0 tries",
            "One more message: The cat is still here after 10 min, Alder Row",
            "  phone: waiting, 0 tries",
        ]


def test_a_sink_of_its_own_and_one_in_the_place_of_another(tmp_path):
    own = [{"name": "phone", "quiet": {"from": "13:00", "to": "15:00"}, "instead": "hut"}]
    rules, seen = policy({}, sink=own), visit("cat")
    _, decision = decide(rules, PolicyState(), seen, START, True, sinks=SINKS)
    store = Store.open(tmp_path, FakeClock())
    store.record_visit(seen, None, decision, [alert_for(rules, seen, decision, START, True)])
    store.pass_on([seen.id], "phone", "hut")
    store.close()
    text = "\n".join(told(tmp_path, "last"))
    assert 'by rule "rule 1" to post; to phone later, which is quiet until 15:00' in text
    assert "met      quiet: phone is quiet until 15:00, and post not" in text
    assert "hut (instead of phone): waiting, 0 tries" in text
