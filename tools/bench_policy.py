"""How many decisions a second `decide` makes on this machine, with one thread.

    python tools/bench_policy.py [--rules 20] [--seconds 3]

Two cases: a visit that the last rule takes, with as many alerts remembered as a lively day brings; and one
that no rule takes. Both go through every rule.
"""

from __future__ import annotations

import argparse
import sys
import time
from datetime import UTC, datetime

from dooryard.core.records import Box, Moment, Visit, Visitor
from dooryard.policy.decide import decide
from dooryard.policy.schema import Policy
from dooryard.policy.state import PolicyState, Told

WANTED_PER_S = 20_000
REMEMBERED = 100  # alerts of the day so far
SINKS = frozenset({"phone", "post"})
NOW = Moment(datetime(2026, 6, 14, 13, 0, tzinfo=UTC), 50_000.0)


def main() -> int:
    arguments = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    arguments.add_argument("--rules", type=int, default=20)
    arguments.add_argument("--seconds", type=float, default=3.0)
    chosen = arguments.parse_args()
    policy, state = rules(chosen.rules), lively_day(chosen.rules)
    rates = {
        name: measure(policy, state, visit(species), chosen.seconds)
        for name, species in (
            ("taken by the last rule", f"bird {chosen.rules - 1}"),
            ("taken by none", "wren"),
        )
    }
    for name, rate in rates.items():
        print(f"{chosen.rules} rules, {REMEMBERED} alerts remembered, {name}: {rate:,.0f} decisions a second")
    return 0 if min(rates.values()) >= WANTED_PER_S else 1


def rules(count: int) -> Policy:
    return Policy.model_validate(
        {
            "place": {"name": "Alder Row", "latitude": 51.752, "longitude": -1.258,
                      "time_zone": "Europe/London"},
            "hours": {"quiet": [{"from": "21:30", "to": "07:00"}]},
            "rule": [
                {"name": f"rule {i}", "visitor": [f"bird {i}"], "cooldown_min": 0, "at_most_per_day": 1000,
                 "at_most_per_hour": 1000, "shortest_stay_s": 2}
                for i in range(count)
            ],
        }
    )  # fmt: skip


def lively_day(count: int) -> PolicyState:
    told = (
        Told(f"rule {k % count}", f"bird {k % count}", NOW.mono_s - 20_000 + 200 * k, "2026-06-14")
        for k in range(REMEMBERED)
    )
    return PolicyState(told=tuple(told))


def visit(species: str) -> Visit:
    seen = Moment(NOW.wall, NOW.mono_s - 1)
    start = Moment(NOW.wall, NOW.mono_s - 13)
    who = Visitor("bird", 0.9, species)
    return Visit("visit", start, seen, who, 5, Box(0.4, 0.4, 0.6, 0.6), best=None, best_score=1.0)


def measure(policy: Policy, state: PolicyState, seen: Visit, seconds: float) -> float:
    """Decisions a second of processor time."""
    decide(policy, state, seen, NOW, True, sinks=SINKS)
    count, began = 0, time.process_time()
    while (gone := time.process_time() - began) < seconds:
        for _ in range(200):
            decide(policy, state, seen, NOW, True, sinks=SINKS)
        count += 200
    return count / gone


if __name__ == "__main__":
    sys.exit(main())
