"""One sensor as the box file has it. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Kind = Literal[
    "cpu", "chip", "ds18b20", "sht3x", "bme280", "low-power", "slowed-down", "wifi",
    "disk", "memory", "clock", "fake",
]  # fmt: skip
Quantity = Literal["temperature", "humidity"]
KINDS: tuple[str, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """One sensor as the box file has it.

    `quantity` is for sht3x and bme280; `device` picks one of several alike ("28-0316a279f6ff" on the
    one-wire bus, "1-0044" on the I²C bus); `chip` is the driver's name for kind "chip"; `interface` for
    wifi; `script` for fake; `every_s` None: the kind's own pace.
    """

    name: str
    kind: Kind
    quantity: Quantity = "temperature"
    device: str | None = None
    chip: str | None = None
    interface: str = "wlan0"
    script: str = "0:20"
    every_s: float | None = None
