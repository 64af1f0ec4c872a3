"""What a box does with less: no classifier, no network, no sensor, little room, power or memory, no clock.

Each is told once when it begins and once when it is over.
"""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from dooryard.classify.fake import FakeClassifier
from dooryard.core.clock import FakeClock
from dooryard.core.effects import ClassifyRequest
from dooryard.core.errors import ModelError
from dooryard.core.records import Box, Frame
from dooryard.sensors.base import Unit
from dooryard.sensors.fake import FakeSensor
from dooryard.sensors.poller import SensorPoller
from unit.test_loop import POLICY, Bench


@pytest.fixture
def bench(tmp_path):
    with ExitStack() as stack:
        yield lambda **kwargs: Bench(stack, tmp_path / "state", **kwargs)


class Failing(FakeClassifier):
    """Sees a bird, while it works."""

    def __init__(self):
        super().__init__(lambda _n, _b: {"bird": 0.95})
        self.broken = False

    def look(self, frame, boxes):
        if self.broken:
            raise ModelError("the network does not run", "free some memory")
        return super().look(frame, boxes)


BOX = Box(0.4, 0.4, 0.6, 0.6)
DAY = (FakeClock().now().wall - timedelta(days=1), FakeClock().now().wall + timedelta(days=1))


def moves(played, seconds):
    """The gate lets something through for `seconds`, and then nothing until the visit is over."""
    for number in range(int(seconds)):
        now = played.clock.advance(1.0)
        pixels = np.full((120, 160, 3), 90, np.uint8)
        seen = Frame(number, now.wall, now.mono_s, pixels[..., 0], pixels.copy)
        played.loop._do((ClassifyRequest(seen, (BOX,)),), now)
    played.play(20)


ASKS = POLICY + '[[rule]]\nname = "whatever it is"\nvisitor = ["something"]\ncooldown_min = 0\n'


@pytest.mark.parametrize(("policy", "told"), [(POLICY, 0), (ASKS, 1)])
def test_without_its_classifier_the_box_watches_records_and_tells_only_if_asked(bench, policy, told):
    """A look fails while somebody is there: told once, visits go on without a name, and it ends once."""
    played = bench(policy=policy)
    classifier = played.loop._sight._classifier = Failing()
    classifier.broken = True
    moves(played, 10.0)
    assert played.loop.status().startswith("watching, without its classifier;")
    (stored,) = played.store.visits_between(*DAY)
    assert stored.visitor.group == "something"
    alerts = [text for text in played.messages() if "Something that moved at" in text]
    assert len(alerts) == told
    classifier.broken = False
    played.play(130)
    moves(played, 10.0)
    texts = [text.split("| ")[1] for text in played.messages() if ": classifier" in text]
    assert len(texts) == 2
    assert texts[0].startswith("The classifier fails: the network does not run; what moves has no name")
    assert texts[1].startswith("The classifier works again, after 2 min")
    assert [visit.visitor.group for visit in played.store.visits_between(*DAY)] == ["something", "bird"]


def test_a_sink_out_of_reach_is_told_to_the_others_and_again_when_it_is_over(bench):
    played = bench()
    played.loop.conditions = replace(played.loop.conditions, sinks=frozenset({"phone", "post"}))
    failing = {}
    played.parts.dispatcher.failing = lambda: failing
    failing["phone"] = played.clock.now().mono_s
    for _ in range(20):
        played.loop._minute(played.clock.advance(60.0))
    failing.clear()
    played.loop._minute(played.clock.advance(60.0))
    sent = played.store._engine.select(
        lambda row: (row["text"], row["sink"]),
        "SELECT a.text, d.sink FROM alerts a JOIN deliveries d ON d.alert = a.id"
        " WHERE a.title LIKE '%network%' ORDER BY a.seq, d.sink",
    )
    assert [(text.split(":")[0].split(",")[0], sink) for text, sink in sent] == [
        ("Phone cannot be reached", "post"),
        ("Phone can be reached again", "phone"),
        ("Phone can be reached again", "post"),
    ]


@pytest.mark.parametrize(
    ("name", "unit", "bad", "good", "kind", "begins", "ends"),
    [
        ("clock", Unit.YES_NO, 0, 1, "clock", "The clock is not set", "The clock is set, after 25 min"),
        ("memory", Unit.MEGABYTES, 30, 200, "memory", "Little memory is left", "Enough memory is free again"),
        ("slowed-down", Unit.YES_NO, 1, 0, "heat", "The board is throttling", "The board runs at full"),
        (
            "disk",
            Unit.MEGABYTES,
            300,
            900,
            "disk",
            "Only 300 MB are free",
            "900 MB are free on the card again",
        ),
        (
            "low-power",
            Unit.YES_NO,
            1,
            0,
            "power",
            "The supply's voltage is low",
            "The supply's voltage is normal",
        ),
        (
            "enclosure",
            Unit.CELSIUS,
            "gone",
            20,
            "sensor",
            "The sensor enclosure is silent",
            "The sensor enclosure",
        ),
        (
            "window",
            Unit.CELSIUS,
            "gone",
            20,
            "sensor",
            "The sensor window is gone",
            "The sensor window is back",
        ),
    ],
)
def test_each_way_of_doing_with_less_is_told_once_and_once_when_it_is_over(
    bench, name, unit, bad, good, kind, begins, ends
):
    """A quarter of an hour well, twenty-five minutes not, then well again."""
    played = bench()
    script = f"0:{good} 899:{good} 900:{bad} 2399:{bad} 2400:{good}"
    if bad == "gone":
        script = f"0:{good} 900:gone 2400:{good}"
    played.poller = SensorPoller([FakeSensor(name, unit, script, every_s=10.0)], played.clock)
    played.monitor.poller = played.poller
    for _ in range(800):
        played.poller.tick()
        played.loop._look_after_the_box(played.monitor, played.clock.advance(5.0))
    told = [
        text.split("| ")[1]
        for text in played.messages()
        if f": {kind} |" in text and (kind != "sensor" or name in text)
    ]
    assert len(told) == 2, played.messages()
    assert told[0].startswith(begins)
    assert told[1].startswith(ends)
