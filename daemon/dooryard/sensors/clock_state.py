"""Whether the wall clock can be believed.

A board without a battery-backed clock wakes with the time of its last shutdown and goes on from
there until a time server answers. Until then hours and dates mean nothing.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

PLAUSIBLE_FROM = datetime(2026, 1, 1, tzinfo=UTC)  # before this program existed: certainly wrong


def clock_is_set(wall: datetime, root: Path = Path("/")) -> bool:
    """True when `wall` is plausible and something vouches for it.

    Vouching are, in this order: systemd-timesyncd's flag file (systemd-timesyncd.service(8)), a
    battery-backed clock (/dev/rtc0), or a system without timesyncd, which we take at its word.
    """
    if wall < PLAUSIBLE_FROM:
        return False
    timesync = root / "run/systemd/timesync"
    if (timesync / "synchronized").exists() or (root / "dev/rtc0").exists():
        return True
    return not timesync.exists()
