"""Reads the sensors on a thread of its own, each at its own pace, so that no frame waits for one."""

from __future__ import annotations

import logging
import queue
import threading
from collections.abc import Sequence

from dooryard.core.clock import Clock
from dooryard.core.log import say
from dooryard.core.records import Moment
from dooryard.sensors.base import Reading, Sensor, Unit, gone
from dooryard.sensors.watch import SensorNews, Watch, gone_sensors, take

_log = logging.getLogger("dooryard.sensors")
STUCK_AFTER_S = 60.0  # a read that takes longer has stopped answering; the slowest takes about 2 s
_ROUNDING_S = 1e-6  # who comes back after exactly the time that `tick` gave must find it due
OLD_AFTER = 4.0  # a value older than this many of its paces is not a value any more


class SensorPoller:
    """`start`, then `latest` and `news` whenever wanted, `alive` for the watchdog, `stop` at the end.

    Names must be unique; ValueError otherwise.
    """

    def __init__(self, sensors: Sequence[Sensor], clock: Clock) -> None:
        names = [sensor.name for sensor in sensors]
        if len(set(names)) != len(names):
            raise ValueError(f"two sensors have one name: {', '.join(sorted(names))}")
        self._sensors = tuple(sensors)
        self._clock = clock
        self._due_s = {sensor.name: float("-inf") for sensor in sensors}
        self._lock = threading.Lock()
        self._latest: dict[str, Reading] = {}
        self._watch = Watch()
        self._news: queue.SimpleQueue[SensorNews] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._asking: tuple[str, float] | None = None  # which one is being read, and since when

    @property
    def temperatures(self) -> frozenset[str]:
        """Names of the sensors that give degrees Celsius."""
        return frozenset(sensor.name for sensor in self._sensors if sensor.unit is Unit.CELSIUS)

    @property
    def paces_s(self) -> dict[str, float]:
        """Seconds between two readings of each sensor."""
        return {sensor.name: sensor.every_s for sensor in self._sensors}

    def start(self) -> None:
        """Begin to read. The first round reads every sensor once."""
        if self._sensors and self._thread is None:
            self._thread = threading.Thread(target=self._run, name="sensors", daemon=True)
            self._thread.start()

    def stop(self, timeout_s: float = 5.0) -> bool:
        """End the thread; False when it is still in a read after `timeout_s`. May be called twice."""
        self._stopping.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        return self._thread is None or not self._thread.is_alive()

    def alive(self, now: Moment) -> bool:
        """False when the thread has ended or is stuck in a read: for the watchdog."""
        if self._thread is None:
            return not self._sensors or self._stopping.is_set()
        return self._thread.is_alive() and self.stuck(now) is None

    def stuck(self, now: Moment) -> str | None:
        """The name of the sensor whose read does not come back, or None: for the log before the end."""
        asking = self._asking
        if asking is None or now.mono_s - asking[1] <= STUCK_AFTER_S:
            return None
        return asking[0]

    def latest(self, now: Moment) -> dict[str, Reading]:
        """The last reading of each sensor that has been read; one that is too old is `gone`."""
        with self._lock:
            readings = dict(self._latest)
        for sensor in self._sensors:
            last = readings.get(sensor.name)
            # A stuck read makes all values old; a few seconds are allowed to the others' reads.
            oldest_s = OLD_AFTER * sensor.every_s + STUCK_AFTER_S
            if last is not None and last.gone is None and last.age_s(now) > oldest_s:
                readings[sensor.name] = gone(sensor, last.taken, f"no reading for {last.age_s(now):.0f} s")
        return readings

    def samples(self, now: Moment) -> dict[str, tuple[float, float | None]]:
        """`latest` as the policy takes it in: when each was asked (monotonic seconds), and what it said."""
        return {name: (reading.taken.mono_s, reading.value) for name, reading in self.latest(now).items()}

    def gone(self) -> tuple[str, ...]:
        """Names of the sensors that were told as gone and are not back."""
        with self._lock:
            return gone_sensors(self._watch)

    def news(self) -> list[SensorNews]:
        """What has gone and come back since the last call, in order; each is given once."""
        told = []
        while not self._news.empty():
            told.append(self._news.get())
        return told

    def tick(self) -> float:
        """Read every sensor that is due. Returns the seconds until the next one is."""
        for sensor in self._sensors:
            now = self._clock.now()
            if now.mono_s >= self._due_s[sensor.name] - _ROUNDING_S and not self._stopping.is_set():
                self._due_s[sensor.name] = now.mono_s + sensor.every_s
                self._read(sensor, now)
        return max(0.0, min(self._due_s.values()) - self._clock.now().mono_s)

    def _read(self, sensor: Sensor, now: Moment) -> None:
        self._asking = (sensor.name, now.mono_s)
        try:
            result = sensor.read(now)
        except Exception as error:  # noqa: BLE001  (a fault of ours in one sensor must not silence the rest)
            _log.exception("fault in reading the sensor %s", sensor.name)
            result = gone(sensor, now, f"a fault of the program: {type(error).__name__}")
        finally:
            self._asking = None
        with self._lock:
            self._latest[sensor.name] = result
            self._watch, news = take(self._watch, result)
        if news is not None:
            level = logging.WARNING if news.gone else logging.INFO
            say(
                _log, level, "sensor gone" if news.gone else "sensor back", sensor=news.sensor, what=news.text
            )
            self._news.put(news)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._clock.wait(self._stopping, self.tick())
