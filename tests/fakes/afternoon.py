"""A quiet view and what comes into it, frame by frame, with a scripted classifier and no world around it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dooryard import pipeline
from dooryard.core.effects import ClassifyRequest
from dooryard.gate import GateSettings
from dooryard.pipeline import Conditions, State
from dooryard.policy.parse import parse_policy
from dooryard.policy.state import PolicyState
from dooryard.tracking.visits import VisitSettings, VisitsState
from helpers import frame, moment, sighting

POLICY = """
[place]
name = "Alder Row"
latitude = 51.752
longitude = -1.258
time_zone = "Europe/London"

[[rule]]
name = "any bird"
visitor = ["bird"]
sure = 0.5
cooldown_min = 4
send_to = ["phone"]
"""
EMPTY = np.random.default_rng(7).integers(90, 110, (120, 160)).astype(np.uint8)
BIRD = EMPTY.copy()
BIRD[50:80, 70:95] = 40


def conditions(text=POLICY):
    policy = parse_policy(text, "test.toml").value
    return Conditions(policy, GateSettings(), VisitSettings(), frozenset({"phone"}))


class Afternoon:
    """Plays frames at 5 a second and does what `run` would, with `who` as the classifier."""

    def __init__(self, rules, who=("bird", 0.95)):
        self.rules, self.who, self.t, self.number = rules, who, 0.0, 0
        self.state = State(VisitsState(b"s" * 16), PolicyState())
        self.effects = []

    def play(self, seconds, luma):
        for _ in range(round(seconds * 5)):
            shown = None if luma is None else frame(self.number, self.t, luma)
            self.state, effects = pipeline.step(self.state, shown, self.rules, moment(self.t))
            self.take(effects)
            self.t, self.number = round(self.t + 0.2, 3), self.number + 1
        return self

    def take(self, effects):
        for effect in effects:
            self.effects.append((self.t, effect))
            if isinstance(effect, ClassifyRequest):
                group, p = self.who
                crops = []
                for box in effect.boxes:
                    seen = sighting(self.t, group, p)
                    crops.append(replace(seen, box=box))
                self.state, more = pipeline.looked(
                    self.state, effect.boxes, crops, self.rules, moment(self.t)
                )
                self.take(more)

    def of(self, kind):
        return [effect for _, effect in self.effects if isinstance(effect, kind)]
