"""The campaigns' command line and their table: see tools/attack."""

from __future__ import annotations

import argparse
import json
import logging
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

from attacks import configs, files, mail, saved, web
from attacks.outcome import Outcome, table

KILLS = Path(__file__).parents[1] / "kill_outbox.py"


def _kills(rounds: int, seed: int) -> Outcome:
    """See tools/kill_outbox.py, which does them."""
    outcome = Outcome("kills", "what was stored is told or waits; no half picture, no alert without its id")
    ran = subprocess.run(
        [sys.executable, str(KILLS), "--rounds", str(rounds), "--seed", str(seed)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    score = json.loads(ran.stdout.splitlines()[-1]) if ran.stdout else {"failed": ran.stderr[-300:]}
    outcome.tried = int(score.get("rounds", 0))
    wrong = {key: score[key] for key in ("lost", "half", "nameless", "failed") if score.get(key)}
    outcome.failures += [str(wrong)] if wrong else []
    return outcome


def campaigns(count: int, seed: int, folder: Path) -> dict[str, Callable[[], list[Outcome]]]:
    """Name -> what is run. `count` is how many times chance is tried."""

    def place(name: str) -> Path:
        (folder / name).mkdir()
        return folder / name

    return {
        "files": lambda: [files.attack(place("files"))],
        "policies": lambda: [files.damaged_policies(count, seed)],
        "configs": lambda: [configs.attack(place("configs"))],
        "saved": lambda: saved.states(place("saved"), count, seed),
        "taught": lambda: [saved.taught_birds(count, seed)],
        "notes": lambda: [saved.databases(place("notes"), count, seed)],
        "web": lambda: [web.attack(seed)],
        "mail": lambda: [mail.attack(seed)],
        "kills": lambda: [_kills(max(25, count // 8), seed)],
    }


def main() -> int:
    """Returns 1 where anything did not hold."""
    parser = argparse.ArgumentParser(prog="tools/attack", description="Hostile peers, files and accidents.")
    parser.add_argument("--count", type=int, default=1000, help="how often chance is tried (default: 1000)")
    parser.add_argument("--seed", type=int, default=1, help="of that chance")
    with TemporaryDirectory() as folder:
        known = campaigns(1, 1, Path(folder))
    parser.add_argument(
        "names", nargs="*", metavar="NAME", help=f"some of: {', '.join(known)} (default: all)"
    )
    asked = parser.parse_args()
    if strange := set(asked.names) - known.keys():
        parser.error(f"there is no campaign {min(strange)!r}; choose of: {', '.join(known)}")
    logging.disable(logging.CRITICAL)  # what is said of each accident is not of interest here
    outcomes = []
    with TemporaryDirectory() as folder:
        for name, run in campaigns(asked.count, asked.seed, Path(folder)).items():
            if not asked.names or name in asked.names:
                print(f"{name} ...", file=sys.stderr, flush=True)
                outcomes += run()
    print(table(outcomes))
    return 1 if any(outcome.failures for outcome in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
