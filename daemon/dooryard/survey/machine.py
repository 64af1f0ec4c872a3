"""Disk, card, clock and permissions. `root` stands for "/", so that tests have a tree of their own.

Signs of a card's health that the kernel gives (none of them is proof of a good card):
errors_count below /sys/fs/ext4 (Linux kernel, Documentation/ABI/testing/sysfs-fs-ext4), and life_time and
pre_eol_info of soldered cards (Documentation/driver-api/mmc/mmc-dev-attrs.rst; their meaning, tenths of the
life used and 1 normal, 2 warning, 3 urgent, is the eMMC standard's, from memory).
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Sequence
from pathlib import Path

import psutil

from dooryard.core.clock import Clock
from dooryard.sensors.clock_state import clock_is_set
from dooryard.survey.lines import Finding, bad, good, look

_SLOW_MB_PER_S = 1.0  # common practice, no source: a picture of half a megabyte then takes half a second
_TRY_MB = 8
_ANOTHER = "name another state_folder in the box file, or move that file away"
DEVICES = {
    "dev/gpiochip0": ("pins", "gpio"),
    "dev/i2c-1": ("sensor bus", "i2c"),
    "dev/media0": ("camera", "video"),
    "dev/video0": ("camera", "video"),
}


def disk_lines(folder: Path, clock: Clock, *, needs_mb: float) -> Sequence[Finding]:
    """Room and speed where `folder` is; `needs_mb` is what the policy lets pictures take."""
    if folder.exists() and not folder.is_dir():
        return [bad("disk", f"{folder}, where the data is to go, is a file", _ANOTHER)]
    if not folder.is_dir():
        remedy = f"start the service once, which makes it, or: mkdir -p {folder}"
        return [bad("disk", f"{folder}, where the data goes, does not exist", remedy)]
    free_mb = psutil.disk_usage(str(folder)).free / 1e6
    text = f"{free_mb:,.0f} MB free, pictures may take {needs_mb:,.0f}"
    lines = [good("disk", text)]
    if free_mb < needs_mb:
        remedy = "make room, or lower keeping.megabytes in the policy"
        lines = [(bad if free_mb < 100 else look)("disk", text, remedy)]
    try:
        took_s = _write(folder, clock)
    except OSError as error:
        text = f"{folder} cannot be written to: {(error.strerror or str(error)).lower()}"
        return [*lines, bad("disk", text, "make room, and check the folder's owner and the card")]
    rate = _TRY_MB / max(took_s, 1e-6)
    text = f"{_TRY_MB} MB written and made safe in {took_s:.2f} s"
    slow = rate < _SLOW_MB_PER_S
    remedy = "use a better card; a worn one gets slow before it dies"
    return [*lines, look("disk", text, remedy) if slow else good("disk", text)]


def _write(folder: Path, clock: Clock) -> float:
    """Seconds that it takes to write and fsync a file, which is then removed."""
    block = os.urandom(1_000_000)
    begun_s = clock.now().mono_s
    with tempfile.TemporaryFile(dir=folder) as file:
        for _ in range(_TRY_MB):
            file.write(block)
        file.flush()
        os.fsync(file.fileno())
    return clock.now().mono_s - begun_s


def card_lines(root: Path, folder: Path) -> Sequence[Finding]:
    """Signs that the card is failing, as far as the kernel tells."""
    lines = []
    for path in sorted((root / "sys/fs/ext4").glob("*/errors_count")):
        count, where = _number(path), path.parent.name
        if count:
            text = f"the file system on {where} has noted {count} errors"
            lines.append(bad("card", text, "save the data, check the file system, and replace the card"))
    for path in sorted((root / "sys/bus/mmc/devices").glob("*/life_time")):
        used = max((_hex(word) for word in path.read_text(encoding="ascii").split()), default=0)
        urgent = _hex((path.parent / "pre_eol_info").read_text(encoding="ascii").strip())
        if used >= 9 or urgent >= 2:
            text = f"{path.parent.name} says that about {min(used, 10) * 10} % of its life is used"
            lines.append((bad if urgent >= 3 else look)("card", text, "plan to replace it"))
    point, read_only = _mount(root, folder)
    if read_only:
        text = f"{point}, where the data goes, is mounted read-only"
        lines.append(bad("card", text, "check the file system; after errors it is made read-only"))
    return lines or [good("card", "the kernel tells of no errors")]


def _mount(root: Path, folder: Path) -> tuple[str, bool]:
    """Where the file system of `folder` is mounted, and whether it is read-only (proc(5): mounts)."""
    best = ("", False)
    for row in (root / "proc/mounts").read_text(encoding="utf-8", errors="replace").splitlines():
        point, options = row.split()[1], row.split()[3].split(",")
        if folder.is_relative_to(point) and len(point) >= len(best[0]):
            best = (point, "ro" in options)
    return best


def clock_lines(root: Path, clock: Clock) -> Sequence[Finding]:
    """Whether the time is right enough to act on."""
    wall = clock.now().wall
    if clock_is_set(wall, root):
        return [good("clock", f"set: {wall:%Y-%m-%d %H:%M} UTC")]
    text = f"not set yet: it says {wall:%Y-%m-%d %H:%M} UTC"
    return [look("clock", text, "wait until the network has set it; hours are not acted on until then")]


def permission_lines(root: Path, folder: Path) -> Sequence[Finding]:
    """Whether this user may do what the service must; so run the survey as the service's user."""
    lines = []
    there = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    may = os.access(there, os.R_OK | os.W_OK | os.X_OK)
    if not there.is_dir():
        lines.append(bad("permissions", f"{there} is a file, no folder", _ANOTHER))
    elif not may and there == folder:
        lines.append(bad("permissions", f"may not write to {folder}", f"chown -R dooryard {folder}"))
    elif not may:
        remedy = f"mkdir -p {folder}, and make it the service's user's: chown -R dooryard {folder}"
        lines.append(bad("permissions", f"may not make {folder} in {there}", remedy))
    for name, (what, group) in DEVICES.items():
        path = root / name
        if path.exists() and not os.access(path, os.R_OK | os.W_OK):
            remedy = f"add the service's user to the group {group} (systemd/dooryard.sysusers.conf does)"
            lines.append(bad("permissions", f"may not use {path} ({what})", remedy))
    can = f"write to {folder}" if there == folder else f"make {folder}"
    return lines or [good("permissions", f"may {can} and use the devices that are there")]


def _number(path: Path) -> int:
    text = path.read_text(encoding="ascii").strip()
    return int(text) if text.isdigit() else 0


def _hex(word: str) -> int:
    try:
        return int(word, 16)
    except ValueError:
        return 0
