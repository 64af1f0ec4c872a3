"""Pictures of the journal for the README, taken from the demo's state by a headless Chromium.

Run tools/demo first. The journal is built again from its state, in a folder that is removed again.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

from dooryard.core.errors import DooryardError
from dooryard.journal.build import build
from dooryard.policy.parse import parse_policy
from screenshots_browser import Browser, find

HERE = Path(__file__).resolve().parent
DAY = "day/2026-06-14.html"
NOW = datetime(2026, 6, 14, 15, 0, tzinfo=UTC)  # the demo's afternoon is over by then
# name, page, width and height in CSS pixels, dark
PICTURES = (
    ("journal-day", DAY, 1100, 1000, False),
    ("journal-day-phone-dark", DAY, 390, 844, True),
    ("journal-first-page", "index.html", 1100, 1000, False),
    ("journal-held-back-dark", "held-back.html", 820, 560, True),
    ("journal-visitor", "visitor/bird.html", 1100, 900, False),
)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    root = HERE.parent
    parser.add_argument("--state", type=Path, default=root / "demo-out" / "state", help="default: the demo's")
    parser.add_argument(
        "--out", type=Path, default=root / "tools" / "pictures", help="default: tools/pictures"
    )
    parser.add_argument(
        "--also",
        type=Path,
        nargs="*",
        default=[],
        metavar="HTML",
        help="more pages, such as a report",
    )
    chosen = parser.parse_args()
    browser = find()
    if browser is None:
        print(
            "No Chromium was found.\n  to do: Debian: apt install chromium, or set CHROMIUM", file=sys.stderr
        )
        return 1
    chosen.out.mkdir(parents=True, exist_ok=True)
    try:
        take(browser, chosen.state, chosen.out, chosen.also)
    except DooryardError as error:
        print(f"screenshots: {error}", file=sys.stderr)
        return error.exit_code
    return 0


def take(path: str, state: Path, out: Path, also: list[Path]) -> None:
    """Build the journal and take all pictures."""
    policy = parse_policy((HERE / "demo_policy.toml").read_text(), "demo_policy.toml").value
    with tempfile.TemporaryDirectory() as scratch, Browser(path) as browser:
        site = Path(scratch) / "journal"
        build(state, site, policy, NOW + timedelta(hours=1), box="alder-row")
        wanted = [(name, site / page, width, height, dark) for name, page, width, height, dark in PICTURES]
        wanted += [(page.stem, page.resolve(), 1100, 1000, False) for page in also]
        for name, page, width, height, dark in wanted:
            browser.view(width, height, dark=dark)
            browser.open(page.as_uri())
            browser.shot(out / f"{name}.jpg", whole=False)
            print(out / f"{name}.jpg")


if __name__ == "__main__":
    raise SystemExit(main())
