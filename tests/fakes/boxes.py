"""The sample box file, as it is and with every part that an owner may add."""

from __future__ import annotations

import re
from pathlib import Path

SAMPLE = Path(__file__).parents[2] / "systemd" / "box.toml"
_TAKEN_OUT = re.compile(r"^#(?=\[|\w)", re.MULTILINE)  # "#[[sensor]]", "#name"; not "# a sentence"

# For the sample policy of two phones.
SECOND_PHONE = """
[[sink]]
kind = "webhook"
name = "second-phone"
url = "https://hooks.alder-row.example/second"
"""


def with_all_parts() -> str:
    """The sample with the "#" taken away from its sensors, button and lamp."""
    text, taken = _TAKEN_OUT.subn("", SAMPLE.read_text(encoding="utf-8"))
    assert taken >= 10
    return text
