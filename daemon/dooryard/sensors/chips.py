"""Finds the kernel's sensor files: chips by the name that their driver gives them.

Numbers such as hwmon2 are given in the order of discovery and change from start to start, so a chip is
sought by its `name` file. Layout: Linux kernel, Documentation/hwmon/sysfs-interface.rst,
Documentation/ABI/testing/sysfs-bus-iio, Documentation/ABI/testing/sysfs-class-thermal,
Documentation/w1/slaves/w1_therm.rst. `root` stands for "/", so that tests have a tree of their own.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

HWMON, IIO, THERMAL = "sys/class/hwmon", "sys/bus/iio/devices", "sys/class/thermal"
CPU_CHIPS = ("cpu_thermal", "coretemp", "k10temp")
"""Drivers that measure the processor: the boards' own, and those of the usual laptops."""


@dataclass(frozen=True, slots=True)
class Chip:
    """A chip that the kernel knows of."""

    name: str
    folder: Path
    device: str  # what it hangs on: "28-0316a279f6ff", "1-0044", or "" where that is not said


def chips(root: Path, kind: str) -> list[Chip]:
    """All chips of `kind` (`HWMON` or `IIO`), in the order of their numbers."""
    folder = root / kind
    found = []
    for path in sorted(folder.iterdir(), key=_number) if folder.is_dir() else []:
        try:
            name = (path / "name").read_text(encoding="ascii", errors="replace").strip()
            device = path.resolve().parent.name if kind == IIO else _device(path)
        except OSError:
            continue  # it went away between the listing and the reading, or it is no chip
        found.append(Chip(name, path, device))
    return found


def find_file(root: Path, kind: str, names: tuple[str, ...], file: str, device: str | None) -> Path | None:
    """`file` of the first chip called one of `names` (and hanging on `device`, where that is given)."""
    for name in names:
        for chip in chips(root, kind):
            if chip.name == name and device in (None, chip.device) and (chip.folder / file).exists():
                return chip.folder / file
    return None


def find_cpu(root: Path) -> Path | None:
    """The processor's temperature: a hwmon chip, else the first thermal zone that is the processor's."""
    found = find_file(root, HWMON, CPU_CHIPS, "temp1_input", None)
    if found is not None:
        return found
    zones = root / THERMAL
    for zone in sorted(zones.glob("thermal_zone*"), key=_number):
        try:
            kind = (zone / "type").read_text(encoding="ascii", errors="replace").strip()
        except OSError:
            continue  # a zone that is switched off
        if kind.replace("-", "_") in ("cpu_thermal", "soc_thermal", "x86_pkg_temp"):
            return zone / "temp"
    return None


def find_throttling(root: Path) -> Path | None:
    """The firmware's throttling word, where its driver gives it as a file (from memory: soc/soc:firmware)."""
    platform = root / "sys/devices/platform"
    for depth in ("*", "*/*", "*/*/*"):
        for path in sorted(platform.glob(f"{depth}/get_throttled")):
            return path
    return None


def _device(path: Path) -> str:
    device = path / "device"
    return device.resolve().name if device.exists() else ""


def _number(path: Path) -> tuple[str, int]:
    letters = path.name.rstrip("0123456789")
    digits = path.name[len(letters) :]
    return letters, int(digits) if digits else -1
