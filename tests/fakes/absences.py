"""An absence played by the minute: the box watches or not, time passes, somebody comes."""

from __future__ import annotations

from datetime import timedelta
from zoneinfo import ZoneInfo

from dooryard.core.records import Moment
from dooryard.policy.absence import Absences, advance, came, watched

LONDON = ZoneInfo("Europe/London")


class Play:
    """`told` is all that was told so far, each with its moment."""

    def __init__(self, policy, start, state=None, *, clock_set=True, mono_s=5_000.0):
        self.policy, self.clock_set = policy, clock_set
        self.now = Moment(start.astimezone(ZoneInfo("UTC")), mono_s)
        self.state = state or Absences()
        self.told = []

    def watch(self, seconds, *, frames=True, step_s=30.0):
        """Let time pass; what was told meanwhile."""
        found = []
        end_s = self.now.mono_s + seconds
        while self.now.mono_s < end_s:
            if frames:
                self.state = watched(self.state, self.now.mono_s)
            found += self._keep(
                advance(
                    self.policy.absence, self.state, self.now, place=self.policy.place,
                    clock_set=self.clock_set, salt=b"salt",
                )
            )  # fmt: skip
            self.pass_time(step_s)
        return found

    def pass_time(self, seconds, wall_s=None):
        """On both clocks; or on the wall clock by `wall_s`, as when it is set."""
        step = timedelta(seconds=seconds if wall_s is None else wall_s)
        self.now = Moment(self.now.wall + step, self.now.mono_s + seconds)

    def comes(self, *visits):
        """What is over by it."""
        return self._keep(
            came(
                self.policy.absence, self.state, visits, self.now, place=self.policy.place,
                clock_set=self.clock_set, group_of={}, salt=b"salt",
            )
        )  # fmt: skip

    def _keep(self, done):
        self.state, told = done
        self.told += [(self.now, each) for each in told]
        return list(told)
