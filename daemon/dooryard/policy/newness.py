"""Whether a visitor is new here, or was long away. Pure.

Visitors are told apart by what cooldowns count by. Earlier visits count for a rule only if they were at least
as certain as it asks for; whether they were told does not matter.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from dooryard.core.records import Clause
from dooryard.core.wording import date_text, percent
from dooryard.policy.case import Case
from dooryard.policy.rule import Rule

_SEASONS = (3, 6, 9, 12)  # months on whose first day a season begins: the meteorological ones
_NOT_SET = "the clock is not set, so it is not known whether it is new"


def new_enough(case: Case, rule: Rule) -> Iterator[Clause]:
    """What `new` and `unseen_days` ask of the visitor."""
    if rule.new is None and rule.unseen_days is None:
        return
    today = case.now.wall.astimezone(case.policy.place.zone).date()
    last = case.state.seen.last_day(case.visit.visitor.key, rule.sure)
    if rule.new is not None:
        yield _new(case, rule, today, last) if case.clock_set else Clause("new", False, _NOT_SET)
    if rule.unseen_days is not None:
        yield (
            _unseen(case, rule, rule.unseen_days, today, last)
            if case.clock_set
            else Clause("unseen", False, _NOT_SET)
        )


def period_start(period: str, today: date) -> date:
    """The first day of what `new` names that `today` is in: of all time, of the year, of the season."""
    if period == "ever":
        return date.min
    if period == "year":
        return date(today.year, 1, 1)
    months = [month for month in _SEASONS if month <= today.month]
    return date(today.year, months[-1], 1) if months else date(today.year - 1, _SEASONS[-1], 1)


def _new(case: Case, rule: Rule, today: date, last: date | None) -> Clause:
    assert rule.new is not None
    start = period_start(rule.new, today)
    since = {"ever": "", "year": f" in {today.year}"}.get(rule.new, f" since {date_text(start)}")
    if last is None or last < start:
        return Clause("new", True, f"{_who(case)} was not seen here before{since}{_so_sure(rule)}")
    return Clause(
        "new",
        False,
        f"{_who(case)} was seen here{_so_sure(rule)} on {date_text(last)}, "
        f'and rule "{rule.name}" asks for one that is new{since}',
    )


def _unseen(case: Case, rule: Rule, asked: int, today: date, last: date | None) -> Clause:
    asks = f'rule "{rule.name}" asks for {_days(asked)} without it'
    if last is None:
        return Clause("unseen", True, f"{_who(case)} was never seen here{_so_sure(rule)}, and {asks}")
    ago = (today - last).days
    when = "today" if ago == 0 else f"{_days(ago)} ago, on {date_text(last)}"
    return Clause(
        "unseen", ago >= asked, f"{_who(case)} was last seen here{_so_sure(rule)} {when}, and {asks}"
    )


def _who(case: Case) -> str:
    return f'"{case.visit.visitor.key}"'


def _so_sure(rule: Rule) -> str:
    return f" with at least {percent(rule.sure)}" if rule.sure > 0 else ""


def _days(count: int) -> str:
    return "1 day" if count == 1 else f"{count} days"
