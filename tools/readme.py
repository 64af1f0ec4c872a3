"""Writes what is generated of the texts: exit codes and keys. `python tools/readme.py`; a test compares."""

from __future__ import annotations

from pathlib import Path

from dooryard.cli.check import reference
from dooryard.core.errors import exit_codes

ROOT = Path(__file__).resolve().parent.parent
FILES = ("README.md", "policies/README.md", "systemd/README.md")


def sections() -> dict[str, str]:
    """Name of each generated part -> its text."""
    codes = ["| code | when |", "| --- | --- |"]
    codes += [f"| {code} | {when} |" for code, when in sorted(exit_codes().items())]
    keys = reference()
    return {
        "exit codes": "\n".join(codes),
        "keys of a policy": keys["policy"].strip(),
        "keys of a box file": keys["box"].strip(),
    }


def filled(text: str) -> str:
    """`text` with every generated part that it has as it should be."""
    for name, part in sections().items():
        begin, end = f"<!-- {name}, by tools/readme.py -->\n", "<!-- end -->"
        before, found, rest = text.partition(begin)
        if found:
            text = f"{before}{begin}{part}\n{end}{rest.partition(end)[2]}"
    return text


if __name__ == "__main__":
    for name in FILES:
        file = ROOT / name
        file.write_text(filled(file.read_text(encoding="utf-8")), encoding="utf-8")
