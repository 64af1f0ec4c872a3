from __future__ import annotations

import io
import logging

import pytest

from dooryard import log


@pytest.fixture
def lines(monkeypatch):
    out = io.StringIO()
    monkeypatch.setattr("sys.stderr", out)
    before = logging.getLogger().handlers[:], logging.getLogger().level
    yield out
    logging.getLogger().handlers[:], _ = before
    logging.getLogger().setLevel(before[1])


def test_fields_are_quoted_where_needed(lines):
    log.set_up({})
    log.say(logging.getLogger("t"), logging.INFO, "visit", who="a bird, species not sure", sure=0.91234, n=3, gone=None)
    assert lines.getvalue().rstrip().endswith('INFO visit who="a bird, species not sure" sure=0.912 n=3')
    assert lines.getvalue()[10] == "T"


def test_under_systemd_a_priority_and_no_time(lines):
    log.set_up({"JOURNAL_STREAM": "8:1"})
    log.say(logging.getLogger("t"), logging.ERROR, "not stored", why="line\nbreak")
    assert lines.getvalue() == '<3>not stored why="line\\nbreak"\n'
