"""Sensors as a box file asks for them."""

from __future__ import annotations

from typing import Any

from dooryard.box.kinds import SensorOptions
from dooryard.box.plugins import kind_named
from dooryard.box.sensors import SENSORS

KINDS = {kind_named(options): options for options in SENSORS}


def asked(name: str, kind: str, quantity: str | None = None, **more: Any) -> SensorOptions:
    """A [[sensor]] table."""
    given = {"name": name, "kind": kind, **({} if quantity is None else {"quantity": quantity}), **more}
    return KINDS[kind].model_validate(given)
