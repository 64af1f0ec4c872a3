from __future__ import annotations

import pytest

from dooryard.gate import GateSettings, problems


def test_the_defaults_make_sense():
    assert problems(GateSettings()) == []


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        (
            GateSettings(smallest=0.9),
            (
                "smallest: 0.9 is not between 0.01 and 0.5 of the picture's width; "
                "0.04 suits a small bird at a feeder"
            ),
        ),
        (GateSettings(ignore=(((0, 0), (1, 1)),)), "ignore[0]: has 2 corners; an area needs at least 3"),
        (
            GateSettings(ignore=(((0, 0), (1, 0), (0, 240)),)),
            "ignore[0]: corner (0, 240) lies outside the picture; give parts of its width and height, 0 to 1",
        ),
        (
            GateSettings(ignore=(((0, 0), (0.5, 0.5), (1, 1)),)),
            "ignore[0]: covers next to nothing; check the order of its corners",
        ),
        (
            GateSettings(target_false_per_hour=0),
            "target_false_per_hour: 0 is not between 0.01 and 60; 2 is usual",
        ),
        (
            GateSettings(settle_s=45),
            "settle_s: 45 is longer than the 20 s within which a view is learned",
        ),
        (GateSettings(memory_s=0), "memory_s: must be more than 0 seconds"),
    ],
)
def test_nonsense_is_named(settings, text):
    assert problems(settings) == [text]
