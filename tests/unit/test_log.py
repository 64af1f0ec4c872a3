from __future__ import annotations

import logging

import pytest

from dooryard.core import log


@pytest.fixture(autouse=True)
def root_logger_as_it_was():
    root = logging.getLogger()
    handlers, level = root.handlers[:], root.level
    yield
    root.handlers[:] = handlers
    root.setLevel(level)


def test_fields_are_quoted_where_needed(capsys):
    log.set_up({})
    who = "a bird, species not sure"
    log.say(logging.getLogger("t"), logging.INFO, "visit", who=who, sure=0.91234, n=3, gone=None)
    line = capsys.readouterr().err
    assert line.rstrip().endswith('INFO visit who="a bird, species not sure" sure=0.912 n=3')
    assert line[10] == "T"


def test_under_systemd_a_priority_and_no_time(capsys):
    log.set_up({"JOURNAL_STREAM": "8:1"})
    log.say(logging.getLogger("t"), logging.ERROR, "not stored", why="line\nbreak")
    assert capsys.readouterr().err == '<3>not stored why="line\\nbreak"\n'
