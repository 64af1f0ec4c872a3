"""The long form of `test_two_readings`: `tools/compare_readings --policies 20000`."""

from __future__ import annotations

import argparse
import sys

from reading.families import COMPARED, KEYS
from reading.long import all_compared


def main() -> int:
    parser = argparse.ArgumentParser(prog="tools/compare_readings", description=__doc__)
    parser.add_argument("--policies", type=int, default=20_000, help="how many, each with its visits")
    parser.add_argument("--from", type=int, default=0, dest="first", help="the first seed")
    parser.add_argument(
        "--with",
        action="append",
        default=[],
        choices=sorted(KEYS),
        dest="families",
        help="with these keys too",
    )
    asked = parser.parse_args()
    families = COMPARED | set(asked.families)
    visits = instants = whole_days = differing = 0
    for found in all_compared(asked.first, asked.policies, families):
        whole_days += found.whole_days
        visits += 0 if found.whole_days else found.visits
        instants += found.visits if found.whole_days else 0
        if found.difference is not None:
            differing += 1
            print(f"seed {found.seed}:\n{found.difference}\n", flush=True)
    print(f"{asked.policies} policies, {whole_days} of them with whole days ({instants} instants), ", end="")
    print(f"the others with {visits} visits: {differing} decided differently")
    print(f"with {', '.join(sorted(families)) or 'nothing'} of {', '.join(KEYS)}")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
