"""What the rules remember: the alerts told lately, how many are held, and who was seen. Pure.

Cooldowns and caps are both read from one list of alerts told. Ages go by monotonic time, so a step of
the wall clock changes no cooldown.

Over a restart within one boot, monotonic time goes on and nothing changes. Over a reboot it starts
again, and only the wall clock can tell how long the machine was off: where it was set both at the saving
and after the restoring, that time counts, and never as less than none. Until the clock is set again, or
where it was not set at the saving, the ages of alerts stand still. A cooldown is then longer than
promised by no more than the outage, and never early.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import NamedTuple

from dooryard.core.errors import StoreError
from dooryard.core.records import Moment
from dooryard.policy.seen import Seen

VERSION = 1
LONGEST_DAY_S = 25 * 3600.0  # a local day on which clocks go back


class Told(NamedTuple):
    """An alert that was told."""

    rule: str
    visitor: str  # Visitor.key
    mono_s: float
    day: str  # local date, "2026-06-14"; "" while the clock was not set
    sinks: tuple[str, ...] = ()  # those that it went to at once; earlier versions kept none


@dataclass(frozen=True, slots=True)
class Outage:
    """Time without the machine that is not counted yet."""

    since: datetime  # when the state was saved, by a clock that was set
    until_s: float  # when it was restored, by the monotonic clock


@dataclass(frozen=True, slots=True)
class PolicyState:
    """What `decide` needs to know of the past."""

    told: tuple[Told, ...] = ()  # oldest first
    held: int = 0  # alerts held in the stretch of quiet hours that ...
    held_until: str = ""  # ... ends then; "": none yet
    outage: Outage | None = None
    seen: Seen = field(default_factory=Seen)
    held_by: tuple[tuple[str, str, int], ...] = ()  # the same of each sink with quiet hours of its own
    _of_rule: dict[str, PolicyState] | None = field(default=None, init=False, repr=False, compare=False)

    def of_rule(self, rule: str) -> PolicyState:
        """The state with the alerts of `rule` alone: what asks it then goes through a few of them."""
        if self._of_rule is None:  # a state is asked at each frame, and changes with each alert
            found: dict[str, list[Told]] = {}
            for told in self.told:
                found.setdefault(told.rule, []).append(told)
            of_rule = {name: PolicyState(tuple(alerts)) for name, alerts in found.items()}
            object.__setattr__(self, "_of_rule", of_rule)
        assert self._of_rule is not None
        return self._of_rule.get(rule, _NOTHING_TOLD)

    def last_told_s(self, rule: str, visitor: str | None) -> float | None:
        """Monotonic time of the last alert of `rule` on `visitor` (None: on anybody)."""
        for told in reversed(self.told):
            if told.rule == rule and visitor in (None, told.visitor):
                return told.mono_s
        return None

    def told_within(self, rule: str, now_s: float, seconds: float) -> int:
        """How many alerts of `rule` were told in the last `seconds`."""
        return len([1 for told in self.told if told.rule == rule and now_s - told.mono_s < seconds])

    def told_on(self, rule: str, day: str, now_s: float, visitor: str | None = None) -> int:
        """How many alerts of `rule` on `visitor` (None: on anybody) may have been told on the local `day`.

        Those told while the clock was not set may have been on any date, so they count for as long as a
        day can last. While it is not set (`day` is ""), so does every alert.
        """
        of_rule = [
            told
            for told in self.told
            if (told.day == day if day and told.day else now_s - told.mono_s < LONGEST_DAY_S)
            and told.rule == rule
        ]
        return len(of_rule) if visitor is None else sum(told.visitor == visitor for told in of_rule)

    def telling(self, told: Told, keep_s: float) -> PolicyState:
        """After one more alert; older ones than `keep_s` and a day are forgotten."""
        oldest_s = told.mono_s - max(keep_s, LONGEST_DAY_S)
        kept = self.told
        if kept and kept[0].mono_s <= oldest_s:
            kept = tuple(earlier for earlier in kept if earlier.mono_s > oldest_s)
        # Written out: `replace` goes through all fields by name, a good part of what a decision costs.
        return PolicyState((*kept, told), self.held, self.held_until, self.outage, self.seen, self.held_by)

    def holding(self, until: str) -> PolicyState:
        """After one more alert was held in the stretch of quiet hours that ends at `until`."""
        return replace(self, held=self.held + 1 if until == self.held_until else 1, held_until=until)

    def held_for(self, sink: str, until: str) -> int:
        """How many alerts wait for `sink` in the stretch of its quiet hours that ends at `until`."""
        return next((count for name, end, count in self.held_by if (name, end) == (sink, until)), 0)

    def holding_for(self, sink: str, until: str) -> PolicyState:
        """After one more alert waits for `sink` in the stretch that ends at `until`."""
        others = tuple(each for each in self.held_by if each[0] != sink)
        return replace(self, held_by=(*others, (sink, until, self.held_for(sink, until) + 1)))

    def outage_counted(self, now: Moment) -> PolicyState:
        """With the time off counted in the ages of what was told before it. Call it once the clock is set."""
        if self.outage is None:
            return self
        since, until_s = self.outage.since, self.outage.until_s
        off_s = max(0.0, (now.wall - since).total_seconds() - (now.mono_s - until_s))
        told = tuple(
            each._replace(mono_s=each.mono_s - off_s) if each.mono_s <= until_s else each
            for each in self.told
        )
        return replace(self, told=told, outage=None, seen=self.seen.aged(off_s, until_s))

    def _known_until(self, now: Moment, clock_set: bool) -> str:
        """The wall time of a saving at `now`, as far as it is known: ISO 8601, or ""."""
        if clock_set:
            return now.wall.isoformat()
        if self.outage is None or any(each.mono_s > self.outage.until_s for each in self.told):
            return ""
        # An outage that is not counted yet: it is told from its beginning, without the time that is known.
        running_s = max(0.0, now.mono_s - self.outage.until_s)
        return (self.outage.since + timedelta(seconds=running_s)).isoformat()

    def to_json(self, now: Moment, boot: str = "", *, clock_set: bool = False) -> str:
        """The state as text. `boot` names the present boot of the machine; "": not known."""
        return json.dumps(
            {
                "version": VERSION,
                "boot": boot,
                "saved_s": now.mono_s,
                "saved_wall": self._known_until(now, clock_set),
                "held": self.held,
                "held_until": self.held_until,
                "held_by": self.held_by,
                "told": [
                    {
                        "rule": t.rule,
                        "visitor": t.visitor,
                        "day": t.day,
                        "ago_s": now.mono_s - t.mono_s,
                        "sinks": t.sinks,
                    }
                    for t in self.told
                ],
            }
            | self.seen.data(now.mono_s)
        )

    @classmethod
    def from_json(cls, text: str, now: Moment, boot: str = "") -> PolicyState:
        """The state that `to_json` wrote, by the present monotonic time; see `outage_counted`.

        Raises StoreError if it is not such a text.
        """
        try:
            return _restored(json.loads(text), now, boot)
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError) as error:
            raise StoreError(
                f"the saved cooldowns cannot be read ({type(error).__name__}: {error})",
                "remove that state; cooldowns and daily caps then start over",
            ) from error


_NOTHING_TOLD = PolicyState()


def _restored(data: dict[str, object], now: Moment, boot: str) -> PolicyState:
    if data["version"] != VERSION:
        raise ValueError(f"version {data['version']!r}, not {VERSION}")
    saved_s, held, told = _seconds(data["saved_s"]), data["held"], data["told"]
    if not isinstance(held, int) or held < 0 or not isinstance(told, list):
        raise ValueError("held or told is not what it should be")
    same_boot = bool(boot) and data["boot"] == boot and now.mono_s >= saved_s
    since_s = saved_s if same_boot else now.mono_s
    saved_wall = data.get("saved_wall", "")  # earlier versions kept none
    held_until = data.get("held_until", "")  # earlier versions kept none
    if not isinstance(saved_wall, str) or not isinstance(held_until, str):
        raise ValueError("saved_wall and held_until are text")  # noqa: TRY004  the caller takes it for damage like the rest
    outage = None
    if saved_wall and not same_boot:
        wall = datetime.fromisoformat(saved_wall)
        if wall.tzinfo is None:
            raise ValueError("saved_wall has no zone")
        outage = Outage(wall, now.mono_s)
    return PolicyState(
        told=tuple(_told(told, since_s)),
        held=held,
        held_until=held_until,
        outage=outage,
        seen=Seen.from_data(data, since_s),
        held_by=tuple(_held_by(data.get("held_by", []))),  # earlier versions kept none
    )


def _held_by(items: object) -> Iterable[tuple[str, str, int]]:
    if not isinstance(items, list):
        raise ValueError("held_by is a list")  # noqa: TRY004  the caller takes it for damage like the rest
    for sink, until, count in items:
        if not isinstance(sink, str) or not isinstance(until, str) or not isinstance(count, int):
            raise ValueError("held_by has a sink, an end and a count")  # noqa: TRY004  as above
        yield sink, until, count


def _told(items: Iterable[dict[str, object]], since_s: float) -> Iterable[Told]:
    for item in items:
        texts = [item[key] for key in ("rule", "visitor", "day")]
        if not all(isinstance(text, str) for text in texts):
            raise ValueError("rule, visitor and day are text")
        rule, visitor, day = map(str, texts)
        sinks = item.get("sinks", [])  # earlier versions kept none
        if not isinstance(sinks, list) or not all(isinstance(sink, str) for sink in sinks):
            raise ValueError("sinks are a list of names")
        yield Told(rule, visitor, since_s - max(0.0, _seconds(item["ago_s"])), day, tuple(sinks))


def _seconds(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("seconds are a finite number")
    return float(value)
