"""Truth files, and the counting against them.

Wilson's limits are checked against scipy (`scipy.stats.binomtest(...).proportion_ci(method="wilson")`),
which implements the interval of E. B. Wilson, JASA 22 (1927), on its own.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest
from scipy.stats import binomtest

from dooryard.core.errors import ConfigError
from dooryard.core.records import Outcome
from dooryard.rehearse.truth import TrueVisit, parse_truth, score, wilson, write_truth
from fakes.rehearsals import rehearsal, seen
from fakes.rules import later

LONDON = ZoneInfo("Europe/London")


def true(at_s, end_s, visitor="squirrel", species=""):
    return TrueVisit(later(at_s).wall, later(end_s).wall, visitor, species)


@pytest.mark.parametrize(
    ("count", "total"), [(0, 1), (1, 1), (3, 8), (8, 8), (0, 400), (57, 60), (999, 1000)]
)
def test_limits_are_scipys(count, total):
    theirs = binomtest(count, total).proportion_ci(0.95, method="wilson")
    assert wilson(count, total) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_nothing_counted_says_nothing():
    assert wilson(0, 0) == (0.0, 1.0)


def test_a_truth_file_there_and_back():
    visits = (true(10, 20, "bird", "shore lark"), true(60, 70))
    assert parse_truth(write_truth(visits), "truth.csv", LONDON) == visits


def test_a_time_without_an_offset_is_local():
    (visit,) = parse_truth("start,end,visitor\n2026-06-14T14:00,2026-06-14T14:01,Bird\n", "t.csv", LONDON)
    assert visit.start.isoformat() == "2026-06-14T14:00:00+01:00"
    assert visit.name == "bird"


def test_every_bad_line_is_named():
    text = "start,end,visitor\nnoon,2026-06-14T14:01,bird\n2026-06-14T14:02,2026-06-14T14:01,bird\n,,\n"
    with pytest.raises(ConfigError) as caught:
        parse_truth(text, "t.csv", LONDON)
    assert caught.value.what.split("\n") == [
        "t.csv:2: start 'noon' is not a time in ISO 8601",
        "t.csv:3: ends before it begins",
        "t.csv:4: start '' is not a time in ISO 8601",
    ]


def test_a_file_without_its_header():
    with pytest.raises(ConfigError, match=r"t\.csv:1: begins with 'when,who'"):
        parse_truth("when,who\n", "t.csv", LONDON)


def test_what_was_noticed_told_named_and_false():
    truth = [true(0, 12), true(100, 112), true(200, 212, "bird", "hen"), true(300, 312), true(5000, 5010)]
    found = rehearsal(
        seen(2, number=1),
        seen(101, outcome=Outcome.SILENT, number=2),
        seen(203, "rabbit", number=3),
        seen(400, number=4),
        seen(450, outcome=Outcome.HOLD, number=5),
    )
    result = score(truth, found)
    lines = {line.visitor: line for line in result.lines}
    assert list(lines) == ["hen", "squirrel", "all"]
    assert [(r.count, r.total) for r in (lines["all"].noticed, lines["all"].told, lines["all"].named)] == [
        (3, 4), (2, 4), (2, 3),
    ]  # fmt: skip
    assert (lines["hen"].named.count, lines["hen"].named.total) == (0, 1)
    assert (result.false_alerts.count, result.false_alerts.total) == (1, 3)
    assert (result.false_visits.count, result.false_visits.total) == (2, 5)
    assert result.false_alerts_per_hour == pytest.approx(6.0)


def test_a_visit_seen_just_after_the_truth_still_belongs_to_it():
    near, far = rehearsal(seen(17)), rehearsal(seen(19))
    assert score([true(0, 12)], near).false_visits.count == 0
    assert score([true(0, 12)], far).false_visits.count == 1


def test_one_visit_counts_for_one_true_visit_only():
    result = score([true(0, 10), true(11, 40)], rehearsal(seen(5, stay_s=30)))
    assert result.lines[-1].noticed.count == 1


def test_no_truth_at_all():
    result = score([], rehearsal(seen(5)))
    assert (result.lines[-1].noticed.total, result.false_alerts.count) == (0, 1)
