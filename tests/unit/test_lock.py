"""The locks of a board's install against pyproject.toml, and the oldest versions that it names."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

REPOSITORY = Path(__file__).parents[2]
PROJECT = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))
NEEDED = [Requirement(line) for line in PROJECT["project"]["dependencies"]]
BUILD = [Requirement(line) for line in PROJECT["build-system"]["requires"]]
OF_THE_SYSTEM = {"numpy", "gpiozero", "picamera2", "lgpio"}
LOCKS = [REPOSITORY / "systemd" / f"lock-{python}.txt" for python in ("3.11", "3.13")]
_HASHES = r"(?P<hashes>(?:    --hash=sha256:[0-9a-f]{64}(?: \\)?\n)+)"
_ENTRY = re.compile(rf"^(?P<name>[a-z0-9-]+)==(?P<version>\S+) \\\n{_HASHES}", re.MULTILINE)


def entries(text: str) -> dict[str, tuple[Version, int]]:
    """Name -> version and number of hashes. Raises ValueError for a line of no such entry."""
    rest = _ENTRY.sub("", re.sub(r"^#.*\n", "", text, flags=re.MULTILINE))
    if rest.strip():
        raise ValueError(f"not a locked package: {rest.strip().splitlines()[0]}")
    return {
        match["name"]: (Version(match["version"]), match["hashes"].count("sha256:"))
        for match in _ENTRY.finditer(text)
    }


def unmet(locked: dict[str, tuple[Version, int]]) -> list[str]:
    """What pyproject.toml asks for and the lock does not give."""
    found = []
    for need in NEEDED + BUILD:
        name = canonicalize_name(need.name)
        if name in OF_THE_SYSTEM:
            continue
        if name not in locked:
            found.append(f"{name} is missing")
        elif locked[name][0] not in need.specifier:
            found.append(f"{name} {locked[name][0]} is not {need.specifier}")
    return found


@pytest.mark.parametrize("lock", LOCKS, ids=lambda path: path.stem)
def test_a_lock_gives_what_the_project_asks_for_and_leaves_the_system_s_alone(lock):
    locked = entries(lock.read_text(encoding="utf-8"))
    assert unmet(locked) == [], "run tools/lock"
    assert OF_THE_SYSTEM.isdisjoint(locked)
    assert all(hashes for _, hashes in locked.values())


@pytest.mark.parametrize("lock", LOCKS, ids=lambda path: path.stem)
def test_a_lock_s_numpy_is_one_that_the_project_takes(lock):
    """The lock is resolved against the numpy of the release, which its first line names."""
    numpy = re.search(r"numpy (\S+) ", lock.read_text(encoding="utf-8").partition("\n")[0])
    assert numpy is not None
    (need,) = (one for one in NEEDED if one.name == "numpy")
    assert Version(numpy[1]) in need.specifier


def test_the_check_itself_catches():
    text = LOCKS[0].read_text(encoding="utf-8")
    older = text.replace(f"apscheduler=={entries(text)['apscheduler'][0]}", "apscheduler==4.0.0")
    assert unmet(entries(older)) == ["apscheduler 4.0.0 is not <4,>=3.10"]
    assert unmet({}) != []
    for wrong in (
        "requests==2.34.2\n",
        "requests>=2\n",
        "-e .\n",
        "requests==2.34.2 \\\n    --hash=md5:00\n",
    ):
        with pytest.raises(ValueError, match="not a locked package"):
            entries(text + wrong)


def bounds() -> dict[str, Version]:
    """Name -> the oldest version that pyproject.toml names, for each package that has such a bound."""
    return {
        canonicalize_name(need.name): Version(one.version)
        for need in NEEDED
        for one in need.specifier
        if one.operator == ">="
    }


def test_the_oldest_versions_are_those_that_the_project_names():
    lines = (REPOSITORY / "tools/oldest.txt").read_text(encoding="utf-8").splitlines()
    pinned = [Requirement(line.partition("#")[0]) for line in lines if "==" in line]
    oldest = {one.name: Version(next(iter(one.specifier)).version) for one in pinned}
    extras = PROJECT["project"]["optional-dependencies"]
    more = [Requirement(extras["model"][0]), Requirement(extras["pi"][1])]
    assert oldest == bounds() | {one.name: Version(next(iter(one.specifier)).version) for one in more}
    assert len(bounds()) == 10  # all but tzdata, whose versions are dates


def test_without_uv_the_script_says_what_to_do():
    ran = subprocess.run(
        [REPOSITORY / "tools/lock"],
        env={"UV": "/nonexistent/uv", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1
    assert ran.stderr == "lock: uv is missing\n  to do: pip install uv, or set UV to its path\n"
