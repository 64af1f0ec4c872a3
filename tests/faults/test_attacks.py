"""Short forms of `tools/attack`: hostile peers and odd files, a few of each kind."""

from __future__ import annotations

import pytest

from attacks import configs, files, mail, web


@pytest.mark.process
def test_odd_files_are_refused_in_words_in_bounded_time_and_memory(tmp_path):
    outcome = files.attack(tmp_path)
    assert outcome.tried >= 26
    assert outcome.failures == []


def test_damaged_policies_are_read_or_refused_with_a_line():
    assert files.damaged_policies(300).failures == []


def test_configurations_without_sense_are_noticed(tmp_path):
    outcome = configs.attack(tmp_path)
    assert outcome.tried >= 30
    assert outcome.failures == []


def test_rude_web_receivers():
    outcome = web.attack(seed=1, count=20)
    assert outcome.tried == 20
    assert outcome.failures == []


def test_rude_mail_servers():
    outcome = mail.attack(seed=1, count=40)
    assert outcome.tried == 40
    assert outcome.failures == []
