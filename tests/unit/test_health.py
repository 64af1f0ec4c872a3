from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from dooryard.health.report import Health, health_text, troubles

WELL = Health(
    box="Alder Row",
    uptime_s=86_400 + 600,
    doing="watching",
    clock_set=True,
    visits=41,
    last_visit_ago_s=125,
    readings={"cpu": "51.5 °C", "enclosure": "38.0 °C", "damp": "61.0 %"},
    disk_free_bytes=9_460_000_000,
    wifi_dbm=-61.0,
    deliveries={"phone": {"sent": 40, "waiting": 1, "gathered": 14}, "post": {"sent": 12}},
)


def test_all_well() -> None:
    assert troubles(WELL) == []
    assert health_text(WELL) == (
        "All is well.\n"
        "Running for 24 h 10 min; now watching.\n"
        "41 visits since the start, the last 2 min 5 s ago.\n"
        "Sensors: cpu 51.5 °C, enclosure 38.0 °C, damp 61.0 %.\n"
        "Disk: 9.5 GB left.\n"
        "Wi-Fi: -61 dBm.\n"
        "Clock: set.\n"
        "To send: 1 to phone.\n"
        "Sent together, as they were late: 14."
    )


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"clock_set": False}, "The clock is not set, so hours are not known."),
        ({"unstored": 3}, "The disk refuses to take 3 visits, which wait in memory."),
        ({"lost": 1}, "1 visit could not be stored at all."),
        ({"disk_free_bytes": 12_400_000}, "The disk is nearly full: 12 MB left."),
        ({"wifi_dbm": -82.0}, "The Wi-Fi signal is weak (-82 dBm)."),
        ({"deliveries": {"phone": {"refused": 2}}}, "phone: 2 alerts were refused."),
        ({"deliveries": {"post": {"expired": 1}}}, "post: 1 alert was given up after days."),
        (
            {"readings": {"enclosure": "gone: no such file"}},
            "The sensor enclosure does not answer (no such file).",
        ),
        ({"missing": ("The sensor roof is not there.",)}, "The sensor roof is not there."),
    ],
)
def test_each_trouble_is_said_first(changes: dict[str, Any], sentence: str) -> None:
    health = replace(WELL, **changes)
    assert troubles(health) == [sentence]
    assert health_text(health).startswith(f"{sentence}\n\nRunning for ")


def test_what_is_not_known_is_said_to_be_so() -> None:
    health = Health("Alder Row", 5.0, "watching", clock_set=True, visits=0, last_visit_ago_s=None)
    assert health_text(health) == (
        "All is well.\nRunning for 5 s; now watching.\nNo visit since the start.\nDisk: not known.\n"
        "Wi-Fi: not known.\nClock: set.\nTo send: nothing."
    )
