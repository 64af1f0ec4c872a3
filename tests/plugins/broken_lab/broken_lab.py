"""Kinds that are wrong, each in its own way."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from dooryard.box.kinds import CameraOptions, SensorOptions, SinkOptions, Surroundings
from dooryard.camera.base import Camera
from dooryard.core.clock import Clock
from dooryard.sensors.base import Sensor
from dooryard.sensors.kinds import Machine
from dooryard.sinks.base import Sink

THING = 5


class Misnamed(CameraOptions):
    kind: Literal["another"]

    def build(self, clock: Clock, base: Path) -> Camera:
        raise AssertionError


class Idle(CameraOptions):
    kind: Literal["idle"]


class RaisingCamera(CameraOptions):
    kind: Literal["faulty"]

    def build(self, clock: Clock, base: Path) -> Camera:
        raise ZeroDivisionError("one by none")


class RaisingSensor(SensorOptions):
    kind: Literal["faulty"]

    def build(self, machine: Machine) -> Sensor:
        raise KeyError("pin")


class RaisingSink(SinkOptions):
    kind: Literal["faulty"]

    def build(self, around: Surroundings) -> Sink:
        raise RuntimeError("no")
