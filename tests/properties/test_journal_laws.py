"""Laws of the journal's counts, names and surveys."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.core.records import Visitor
from dooryard.history.entries import Kind, Mark, said
from dooryard.journal import counts
from dooryard.journal.phrases import slug
from dooryard.journal.survey import MOST_BEST, survey
from dooryard.journal.tally import wilson
from unit.journal.alder_row import BIRD, FINCH, SQUIRREL, ZONE, entry

START = datetime(2026, 3, 28, tzinfo=UTC)
minutes = st.integers(0, 3 * 24 * 60)
spans = st.lists(
    st.tuples(minutes, minutes).map(
        lambda pair: tuple(START + timedelta(minutes=each) for each in sorted(pair))
    ),
    max_size=8,
)


def covered(some, minute):
    at = START + timedelta(minutes=minute, seconds=30)
    return any(a <= at < b for a, b in some)


@settings(deadline=None)
@given(spans, spans, st.lists(minutes, max_size=30))
def test_what_is_left_is_what_is_in_one_and_not_in_the_other(some, off, tries):
    left = counts.without(counts.joined(some), off)
    for minute in tries:
        assert covered(left, minute) == (covered(some, minute) and not covered(off, minute))
    assert all(a < b for a, b in left)
    assert all(first[1] < second[0] for first, second in pairwise(left))


@settings(deadline=None)
@given(spans, st.sampled_from(["Europe/London", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC"]))
def test_hours_of_the_day_add_up_to_the_whole(some, zone):
    joined = counts.joined(some)
    assert abs(sum(counts.by_hour(joined, ZoneInfo(zone))) - counts.seconds(joined)) < 1e-6


@settings(deadline=None)
@given(spans)
def test_most_at_once_is_reached_at_some_arrival_and_never_passed(some):
    most = counts.most_at_once(some)
    at_arrivals = [sum(a <= start <= b for a, b in some) for start, _ in some]
    assert most == max(at_arrivals, default=0)


@settings(deadline=None)
@given(st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_wilson_holds_the_share_between_its_limits(case):
    right, n = case
    low, high = wilson(right, n)
    assert 0 <= low <= right / n <= high <= 1
    assert high - low < wilson(min(1, right), 1)[1] + 1e-9
    low_mirror, high_mirror = wilson(n - right, n)
    assert abs(low - (1 - high_mirror)) < 1e-9
    assert abs(high - (1 - low_mirror)) < 1e-9


@settings(deadline=None)
@given(st.lists(st.text(max_size=60), unique=True, max_size=20))
def test_different_visitors_have_different_pages_with_harmless_names(keys):
    names = [slug(key) for key in keys]
    assert len(set(names)) == len(names)
    for name in names:
        assert name
        assert set(name) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
        assert len(name) <= 60


visitors = st.sampled_from([FINCH, BIRD, SQUIRREL, Visitor("", 1.0, "wren")])
entries = st.lists(
    st.builds(
        lambda number, offset, told, clock_set, picture: entry(
            number, at=START + timedelta(minutes=offset), told=told, clock_set=clock_set,
            picture=f"p/{number}.jpg" if picture else None,
        ),
        st.integers(0, 10**6), minutes, visitors, st.booleans(), st.booleans(),
    ),
    max_size=40, unique_by=lambda each: each.id,
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(entries)
def test_a_survey_counts_every_visit_once(found):
    found = sorted(found, key=lambda each: each.start)
    done = survey(found, ZONE, date(2026, 3, 30))
    assert sum(day.visits for day in done.days.values()) == len(found)
    assert sum(visitor.visits for visitor in done.visitors.values()) == len(found)
    for key, visitor in done.visitors.items():
        mine = [each for each in found if each.visitor.key == key]
        whole = [each for each in mine if (day := each.day(ZONE)) and day < date(2026, 3, 30)]
        assert sum(visitor.hours) == sum(visitor.weeks.values()) == len(whole)
        best = sorted((each for each in mine if each.picture), key=lambda each: (each.worth, each.id))
        assert [each.id for each in visitor.pictures()] == [each.id for each in best[::-1][:MOST_BEST]]


@settings(max_examples=60, deadline=None)
@given(entries)
def test_any_change_of_a_visit_changes_its_days_fingerprint_and_no_other(found):
    if not found:
        return
    found = sorted(found, key=lambda each: each.start)
    before = {day: each.digest.text() for day, each in survey(found, ZONE, date(2026, 4, 1)).days.items()}
    mark = said([Mark(1, found[0].id, Kind.KEEP, START)])
    changed = entry(
        1, at=found[0].start, told=found[0].told, clock_set=found[0].clock_set, said=mark,
        picture=found[0].picture,
    )  # fmt: skip
    after = survey([changed, *found[1:]], ZONE, date(2026, 4, 1)).days
    mine = found[0].day(ZONE)
    assert {day for day in before if after[day].digest.text() != before[day]} == {mine}


kinds = st.sampled_from(list(Kind))


@settings(deadline=None)
@given(st.lists(kinds, max_size=12))
def test_the_newest_verdict_stands_and_flags_only_add_up(sequence):
    marks = [
        Mark(n, "v", kind, START, Visitor("bird", 1.0) if kind is Kind.NAME else None)
        for n, kind in enumerate(sequence)
    ]
    found = said(marks)
    verdicts = [kind for kind in sequence if kind in (Kind.NOBODY, Kind.NAME)]
    assert found.nobody == (verdicts[-1:] == [Kind.NOBODY])
    assert (found.visitor is not None) == (verdicts[-1:] == [Kind.NAME])
    assert (found.keep, found.hide) == (Kind.KEEP in sequence, Kind.HIDE in sequence)
