"""Writes the README's generated parts: exit codes and keys. `python tools/readme.py`; a test compares."""

from __future__ import annotations

from pathlib import Path

from dooryard.check import reference
from dooryard.errors import exit_codes

README = Path(__file__).resolve().parent.parent / "README.md"


def sections() -> dict[str, str]:
    """Name of each generated part -> its text."""
    codes = ["| code | when |", "| --- | --- |"]
    codes += [f"| {code} | {when} |" for code, when in sorted(exit_codes().items())]
    return {"exit codes": "\n".join(codes), "keys": reference().strip()}


def filled(text: str) -> str:
    """`text` with every generated part as it should be."""
    for name, part in sections().items():
        begin, end = f"<!-- {name}, by tools/readme.py -->\n", "<!-- end -->"
        before, found, rest = text.partition(begin)
        _, closed, after = rest.partition(end)
        if not found or not closed:
            raise SystemExit(f"README.md: the marks of {name!r} are missing")
        text = f"{before}{begin}{part}\n{end}{after}"
    return text


if __name__ == "__main__":
    README.write_text(filled(README.read_text(encoding="utf-8")), encoding="utf-8")
