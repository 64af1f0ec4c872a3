"""The reason of a visit, from a store that is in use."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest

from dooryard.clock import FakeClock
from dooryard.errors import ConfigError, StoreError
from dooryard.outbox.store import Store
from dooryard.policy.decide import decide
from dooryard.policy.say import alert_for
from dooryard.policy.state import PolicyState
from dooryard.why import why
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
    assert lines[1] == "A squirrel, 90 % sure, 2026-06-14 13:03:00+00:00, stayed 12 s"
    assert lines[2] == 'Told: Alder Row, a squirrel: by rule "rule 1" to phone, post'
    assert "  met      cooldown: cooldown of 10 min has not begun" in lines
    assert "  phone: waiting, 0 tries" in lines


def test_why_not(folder):
    lines = told(folder, "last")
    assert lines[0] == "Visit 01ab2-visit"
    assert "  not met  cooldown: cooldown of 10 min has 9 min left" in lines
    assert told(folder, "01ab2") == lines


def test_no_such_visit(folder, tmp_path):
    with pytest.raises(ConfigError, match="there is no visit 'xxxx'"):
        why(folder, "xxxx", io.StringIO())
    with pytest.raises(ConfigError, match="begins several visits: 01ab1-visit, 01ab2-visit"):
        why(folder, "01ab", io.StringIO())
    with pytest.raises(ConfigError):
        why(folder, "", io.StringIO())
    with pytest.raises(StoreError):
        why(tmp_path / "elsewhere", "last", io.StringIO())


def test_a_store_that_is_none(tmp_path):
    (tmp_path / "dooryard.sqlite3").write_bytes(b"no database at all" * 100)
    with pytest.raises(StoreError, match="cannot be read"):
        why(tmp_path, "last", io.StringIO())
