"""Odd and damaged files given to `dooryard check`, as a process with little memory."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

from attacks.outcome import Outcome, damaged, dice

MEMORY_BYTES = 1_000_000_000  # of addresses; a plain check needs about a third of it
PATIENCE_S = 30.0
_SAID = {0, 3}  # without problems; problems, each told
POLICIES = Path(__file__).parents[2] / "policies"


def attack(folder: Path) -> Outcome:
    """Every odd file, one check each."""
    outcome = Outcome("odd files", "checked or refused in words, within 1 GB and 30 s; no traceback")
    for name, make in _odd().items():
        path = folder / (name.replace(" ", "-").replace("/", "-") + ".toml")
        make(path)
        outcome.note(name, _problem(path))
    return outcome


def damaged_policies(count: int, seed: int = 1) -> Outcome:
    """Sample policies after one to four accidents each, checked within this process."""
    from dooryard.core.errors import ConfigError
    from dooryard.policy.parse import parse_policy

    outcome = Outcome("damaged policies", "read, or refused with lines that point into the file")
    chance = dice(seed)
    texts = [path.read_bytes() for path in sorted(POLICIES.glob("*.toml"))]
    for number in range(count):
        data = chance.choice(texts)
        for _ in range(chance.randint(1, 4)):
            data = damaged(data, chance)
        problem = None
        try:
            parse_policy(data.decode("utf-8", "replace"), "m.toml", sinks=frozenset({"phone", "post"}))
        except ConfigError as error:
            if not all(line.startswith("m.toml:") for line in error.what.split("\n")):
                problem = f"points nowhere: {error.what[:100]!r}"
        except Exception as error:  # noqa: BLE001  whatever it is, it is the finding
            problem = f"raised {error!r}"[:200]
        outcome.note(f"number {number} of seed {seed}", problem)
    return outcome


def _odd() -> dict[str, Callable[[Path], object]]:
    def text(data: str) -> Callable[[Path], object]:
        return lambda path: path.write_text(data, encoding="utf-8")

    def raw(data: bytes) -> Callable[[Path], object]:
        return lambda path: path.write_bytes(data)

    def link(target: str) -> Callable[[Path], object]:
        return lambda path: path.symlink_to(target)

    return {
        "a pipe": os.mkfifo,
        "a folder": Path.mkdir,
        "a link to /dev/zero": link("/dev/zero"),
        "a link to /dev/random": link("/dev/random"),
        "a link to itself": lambda path: path.symlink_to(path),
        "a link to nothing": link("gone.toml"),
        "a file of the kernel": link("/proc/self/maps"),
        "nothing": raw(b""),
        "a byte order mark": raw(b"\xef\xbb\xbf[place]\nname = 'x'\n"),
        "UTF-16": raw("[place]\nname = 'Alder Row'\n".encode("utf-16")),
        "zeros": raw(b"\0" * 5000),
        "999 KB of comments": text("# x\n" * 249_000),
        "2 MB": text("# x\n" * 500_000),
        "a hole of 1 TB": lambda path: _hole(path, 1 << 40),
        "a dotted key of 20,000 parts": text("a." * 20_000 + "b = 1\n"),
        "a table of 20,000 parts": text("[" + "a." * 20_000 + "b]\n"),
        "20,000 dotted keys": text("".join(f"a.b{n}.c = 1\n" for n in range(20_000))),
        "brackets 50,000 deep": text("x = " + "[" * 50_000 + "]" * 50_000),
        "braces 50,000 deep": text("x = " + "{a=" * 50_000 + "1" + "}" * 50_000),
        "a number of 500,000 digits": text("x = " + "9" * 500_000),
        "a string of 900 KB": text('name = "' + "x" * 900_000 + '"\n'),
        "a string without end": text('name = "' + "\\n" * 200_000),
        "20,000 rules": text("[[rule]]\nvisitor = ['bird']\n" * 20_000),
        "20,000 unknown keys": text("".join(f"k{n} = 1\n" for n in range(20_000))),
        "20,000 sinks": text("".join(f'[[sink]]\nkind = "memory"\nname = "s{n}"\n' for n in range(20_000))),
        "30,000 quiet hours": text("[hours]\nquiet = [" + '{from="1:00",to="2:00"},' * 30_000 + "]\n"),
    }


def _hole(path: Path, length: int) -> None:
    with path.open("wb") as file:
        file.truncate(length)


def _problem(path: Path) -> str | None:
    def bounded() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))

    try:
        done = subprocess.run(
            [sys.executable, "-m", "dooryard", "check", str(path)],
            capture_output=True,
            text=True,
            errors="replace",
            timeout=PATIENCE_S,
            stdin=subprocess.DEVNULL,
            preexec_fn=bounded,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return f"not done after {PATIENCE_S:.0f} s"
    if "Traceback" in done.stderr:
        return f"a traceback: {done.stderr.strip().splitlines()[-1][:160]}"
    if done.returncode not in _SAID:
        return f"exit code {done.returncode}: {done.stderr.strip()[-160:]}"
    return None if done.stdout.strip() or done.stderr.strip() else "not a word"
