from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from dooryard.journal import counts, phrases
from dooryard.policy.schema import Policy
from unit.journal.alder_row import NOON, POLICY

H = timedelta(hours=1)
LONDON = ZoneInfo("Europe/London")


def test_watching_is_the_watch_hours_less_the_times_off():
    day, end = date(2026, 6, 14), NOON + 12 * H
    whole = counts.watch_spans(POLICY, day, [], end)
    assert counts.seconds(whole) == 14 * 3600
    off = [(NOON, NOON + 4 * H), (NOON + 3 * H, NOON + 5 * H), (NOON + 20 * H, NOON + 30 * H)]
    assert counts.seconds(counts.watch_spans(POLICY, day, off, end)) == 9 * 3600
    assert counts.seconds(counts.watch_spans(POLICY, day, off, NOON)) == 6 * 3600


def test_without_watch_hours_the_day_is_watched_whole_however_long_it_is():
    policy = Policy(place=POLICY.place)
    late = datetime(2027, 1, 1, tzinfo=UTC)
    for day, hours in ((date(2026, 3, 29), 23), (date(2026, 6, 14), 24), (date(2026, 10, 25), 25)):
        spans = counts.watch_spans(policy, day, [], late)
        assert counts.seconds(spans) == hours * 3600
        assert sum(counts.by_hour(spans, LONDON)) == hours * 3600
    spring = counts.by_hour(counts.watch_spans(policy, date(2026, 3, 29), [], late), LONDON)
    autumn = counts.by_hour(counts.watch_spans(policy, date(2026, 10, 25), [], late), LONDON)
    assert (spring[1], autumn[1]) == (0, 7200)


def test_rates_and_what_is_not_known():
    assert counts.rate_per_h(7, 14 * 3600) == 0.5
    assert counts.rate_per_h(0, 3600) == 0
    assert counts.rate_per_h(3, 0) is None
    assert counts.rate_per_h(5, 270) is None
    assert counts.rate_per_h(5, 3599.9) is None
    assert phrases.rate(None, 0) == "not watched"
    assert phrases.rate(None, 270) == "not watched long enough for a rate"


@pytest.mark.parametrize(
    ("per_h", "text"),
    [(0.0, "0"), (0.025, "1 in 40 h"), (0.43, "0.43"), (9.94, "9.9"), (9.96, "10"), (99.6, "100"),
     (110.0, "110"), (12345.6, "12346")],
)  # fmt: skip
def test_a_rate_has_no_exponent(per_h, text):
    assert phrases.rate(per_h, 7200) == text


def test_against_the_sun():
    # Sunrise and sunset on 2026-06-14 at 51.752 N 1.258 W by the policy's own sun, which has checks of
    # its own against an ephemeris: 4:46 and 21:24.
    found = counts.against_sun(POLICY.place, date(2026, 6, 14), NOON - 7 * H, NOON + 9 * H)
    assert found.first_after_sunrise_min == pytest.approx(14, abs=1)
    assert found.last_before_sunset_min == pytest.approx(24, abs=1)
    assert counts.against_sun(Policy().place, date(2026, 6, 14), NOON, NOON).first_after_sunrise_min is None


def test_most_at_once():
    def stay(a, b):
        return (NOON + timedelta(seconds=a), NOON + timedelta(seconds=b))

    assert counts.most_at_once([]) == 0
    assert counts.most_at_once([stay(0, 10), stay(20, 30)]) == 1
    assert counts.most_at_once([stay(0, 10), stay(5, 30), stay(6, 8), stay(40, 50)]) == 3
    assert counts.most_at_once([stay(0, 10), stay(10, 20)]) == 2  # both ends belong to a stay
    assert counts.most_at_once([stay(5, 5)]) == 1
