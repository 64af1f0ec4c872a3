"""A file system laid out as the kernel documents it, with a board's usual sensors on it.

Layout and units: Linux kernel, Documentation/hwmon/sysfs-interface.rst, Documentation/hwmon/sht3x.rst,
Documentation/hwmon/raspberrypi-hwmon.rst, Documentation/w1/slaves/w1_therm.rst (family code 28: DS18B20),
Documentation/ABI/testing/sysfs-bus-iio and sysfs-class-thermal. Class folders hold links into
/sys/devices, and a chip's `device` links to what it hangs on. The place of get_throttled and the exact
chip names were written from memory; no board was at hand.
"""

from __future__ import annotations

from pathlib import Path

ONE_WIRE = "28-0316a279f6ff"
I2C = "sys/devices/platform/soc/3f804000.i2c/i2c-1"


class SysfsTree:
    """`root` with nothing on it; each method wires one thing up and returns its folder."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self._hwmon = self._iio = self._zones = 0

    def write(self, path: str, text: str) -> Path:
        file = self.root / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="ascii")
        return file

    def hwmon(self, parent: str, name: str, **files: str) -> Path:
        """A hwmon chip under the device `parent` (relative to the root)."""
        number, self._hwmon = self._hwmon, self._hwmon + 1
        folder = f"{parent}/hwmon/hwmon{number}"
        self.write(f"{folder}/name", f"{name}\n")
        for file, text in files.items():
            self.write(f"{folder}/{file}", text)
        real = self.root / folder
        (real / "device").symlink_to(self.root / parent)
        self._link("sys/class/hwmon", real)
        return real

    def iio(self, parent: str, name: str, **files: str) -> Path:
        number, self._iio = self._iio, self._iio + 1
        folder = f"{parent}/iio:device{number}"
        self.write(f"{folder}/name", f"{name}\n")
        for file, text in files.items():
            self.write(f"{folder}/{file}", text)
        self._link("sys/bus/iio/devices", self.root / folder)
        return self.root / folder

    def zone(self, kind: str, temp: str) -> Path:
        number, self._zones = self._zones, self._zones + 1
        folder = f"sys/devices/virtual/thermal/thermal_zone{number}"
        self.write(f"{folder}/type", f"{kind}\n")
        self.write(f"{folder}/temp", temp)
        self._link("sys/class/thermal", self.root / folder)
        return self.root / folder

    def cpu(self, milli_c: int = 48_312) -> Path:
        return self.hwmon(
            "sys/devices/virtual/thermal/thermal_zone0", "cpu_thermal", temp1_input=f"{milli_c}\n"
        )

    def ds18b20(self, milli_c: int = 31_187, device: str = ONE_WIRE) -> Path:
        parent = f"sys/devices/w1_bus_master1/{device}"
        return self.hwmon(parent, "w1_slave_temp", temp1_input=f"{milli_c}\n")

    def sht3x(self, milli_c: int = 31_500, milli_percent: int = 63_021, address: str = "1-0044") -> Path:
        files = {"temp1_input": f"{milli_c}\n", "humidity1_input": f"{milli_percent}\n"}
        return self.hwmon(f"{I2C}/{address}", "sht3x", **files)

    def bme280(self, milli_c: str = "24540", humidity: str = "41.074000000", address: str = "1-0076") -> Path:
        files = {"in_temp_input": f"{milli_c}\n", "in_humidityrelative_input": f"{humidity}\n"}
        return self.iio(f"{I2C}/{address}", "bme280", **files)

    def low_voltage(self, alarm: int = 0) -> Path:
        parent = "sys/devices/platform/soc/soc:firmware/raspberrypi-hwmon"
        return self.hwmon(parent, "rpi_volt", in0_lcrit_alarm=f"{alarm}\n")

    def throttling(self, word: int = 0) -> Path:
        return self.write("sys/devices/platform/soc/soc:firmware/get_throttled", f"{word:x}\n")

    def wifi(self, level: int = -56, interface: str = "wlan0") -> Path:
        return self.write(
            "proc/net/wireless",
            "Inter-| sta-|   Quality        |   Discarded packets               | Missed | WE\n"
            " face | tus | link level noise |  nwid  crypt   frag  retry   misc | beacon | 22\n"
            f"{interface:>6}: 0000   54.  {level}.  -256        0      0      0      0      0        0\n",
        )

    def _link(self, folder: str, target: Path) -> None:
        links = self.root / folder
        links.mkdir(parents=True, exist_ok=True)
        (links / target.name).symlink_to(target)


def whole_board(root: Path) -> SysfsTree:
    """Everything wired up."""
    tree = SysfsTree(root)
    tree.write("proc/loadavg", "0.42 0.31 0.20 1/120 4711\n")
    tree.cpu()
    tree.low_voltage()
    tree.throttling()
    tree.ds18b20()
    tree.sht3x()
    tree.bme280()
    tree.wifi()
    return tree
