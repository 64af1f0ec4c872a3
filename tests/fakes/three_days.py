"""The script of three simulated days: the policy, who comes, what breaks, and the log of it all."""

from __future__ import annotations

import logging
import re
from datetime import UTC, date, datetime, timedelta

from dooryard.button.press import Press
from fakes.garden_days import Comes, DayClock, Span

MIDNIGHT = datetime(2026, 6, 23, 23, 0, tzinfo=UTC)  # in London, where it is summer time
ZONE_H = 1  # ahead of UTC
FIRST_DAY = date(2026, 6, 24)
HEADER = """\
Three simulated days, by local time. "*" is what happens in the world; the box is not told of it.
"hears" is what a receiver got. All else is the box's own log, without ids.
"""

POLICY = """
[place]
name = "Alder Row"
latitude = 51.752
longitude = -1.258
time_zone = "Europe/London"

[hours]
watch = { from = "sunrise-30min", to = "sunset+20min" }
quiet = [{ from = "21:30", to = "07:00" }]

[[rule]]
name = "squirrel on the seed"
visitor = ["squirrel"]
cooldown_min = 10
send_to = ["phone"]

[[rule]]
name = "any bird"
visitor = ["bird"]
cooldown_min = 5
send_to = ["phone", "post"]

[[heat]]
sensor = "enclosure"
above_c = 54
until_below_c = 48
frames_per_s = 2

[[heat]]
sensor = "enclosure"
above_c = 62
until_below_c = 52
camera = "off"

[summary]
at = "sunset+1h"
send_to = ["post"]

[[rule]]
name = "whatever it is"
visitor = ["something"]
send_to = ["phone"]

[messages]
classifier = ["phone"]
network = ["phone"]
disk = ["phone"]
heat = ["phone"]
sensor = ["phone"]
camera = ["phone"]
status = ["phone"]
halt = ["phone"]
"""


def at(day: int, time: str) -> int:
    """Seconds since the first midnight of a local time on day 1, 2 or 3."""
    hours, minutes = time.split(":")
    return (day - 1) * 86_400 + int(hours) * 3600 + int(minutes) * 60


COMES = (
    Comes(at(1, "06:10"), "bird"), Comes(at(1, "08:00"), "bird"), Comes(at(1, "08:02"), "bird"),
    Comes(at(1, "09:30"), "squirrel", 25), Comes(at(1, "13:00"), "bird"), Comes(at(1, "17:30"), "bird"),
    Comes(at(2, "07:30"), "bird"), Comes(at(2, "08:15"), "squirrel"), Comes(at(2, "08:40"), "bird"),
    Comes(at(2, "09:20"), "bird"), Comes(at(2, "10:45"), "squirrel"), Comes(at(2, "19:00"), "bird"),
    Comes(at(3, "05:30"), "squirrel"), Comes(at(3, "07:20"), "bird"), Comes(at(3, "14:00"), "bird"),
    Comes(at(3, "16:00"), "cat", 30), Comes(at(3, "17:10"), "bird"), Comes(at(3, "17:40"), "squirrel"),
    Comes(at(3, "20:50"), "bird"),
)  # fmt: skip
STALLS = (Span(at(1, "16:30"), at(1, "16:31")), Span(at(3, "10:00"), at(3, "10:02")))
GONE = (Span(at(2, "16:00"), at(2, "16:03")),)
NO_CLASSIFIER = Span(at(3, "17:00"), at(3, "18:30"))
DISK = ((1, "00:00", 900), (2, "20:00", 900), (2, "20:10", 420), (2, "20:40", 420), (2, "20:50", 900))
OFFLINE = (Span(at(2, "07:00"), at(2, "11:00")),)
PRESSES = {at(2, "18:00"): Press.SHORT, at(3, "23:50"): Press.HELD}
ENCLOSURE = (
    (1, "00:00", 14), (1, "06:00", 15), (1, "11:00", 45), (1, "12:30", 66), (1, "14:00", 66),
    (1, "16:00", 45), (1, "22:00", 18),
    (2, "06:00", 16), (2, "11:00", 46), (2, "12:30", 65), (2, "13:00", "gone"), (2, "15:30", 47),
    (2, "22:00", 18),
    (3, "06:00", 17), (3, "11:00", 43), (3, "13:00", 57), (3, "15:00", 57), (3, "17:00", 40),
    (3, "22:00", 18),
)  # fmt: skip
WORLD = sorted(
    [
        *((one.at_s, f"a {one.who} comes for {one.stays_s:g} s") for one in COMES),
        *((span.from_s, "the camera stalls") for span in STALLS),
        *((span.from_s, "the camera's plug comes loose") for span in GONE),
        *((span.to_s, "the camera's plug is in again") for span in GONE),
        *((span.from_s, "the network goes") for span in OFFLINE),
        *((span.to_s, "the network is back") for span in OFFLINE),
        *((at(d, t), "the sensor's wire breaks") for d, t, value in ENCLOSURE if value == "gone"),
        (at(2, "15:30"), "the sensor's wire is mended"),
        (at(2, "20:00"), "the card begins to fill up"),
        (at(2, "20:40"), "the card is emptied again"),
        (NO_CLASSIFIER.from_s, "the classifier's network begins to fail"),
        (NO_CLASSIFIER.to_s, "it would work again"),
        *((at_s, f"the button: {press.value}") for at_s, press in PRESSES.items()),
    ]
)


class Log(logging.Handler):
    """What happens in the world, and what the box says and tells, by simulated local time."""

    def __init__(self, clock: DayClock) -> None:
        super().__init__()
        self._clock, self._world = clock, list(WORLD)
        self.lines: list[str] = []
        self._day = ""

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        if "again in" in text or ": alert " in text:  # each attempt; the receivers say what arrived
            return
        self.add(re.sub(r"\b(id|at|visit)=\S+ ?|, [0-9a-f-]{36}", "", text))

    def add(self, text: str) -> None:
        """Write a line, after what has happened in the world until now."""
        self.go_on()
        self._write(text)

    def go_on(self) -> None:
        """Write what has happened in the world since."""
        while self._world and self._world[0][0] <= self._clock.t_s:
            self._write(f"  * {self._world.pop(0)[1]}")

    def _write(self, text: str) -> None:
        local = self._clock.now().wall + timedelta(hours=ZONE_H)
        day = f"{local:%A}, day {1 + (local.date() - FIRST_DAY).days}"
        if day != self._day:
            self._day = day
            self.lines.append(f"== {day} ==")
        # How many looks depends on the last bit of the gate's sums, which machines do not share.
        text = re.sub(r"\b\d+ looks", "some looks", text)
        self.lines.append(f"{local:%H:%M} {text}")


class Button:
    """Pressed when the script says so."""

    def __init__(self, clock: DayClock) -> None:
        self._clock, self._left = clock, dict(PRESSES)

    def presses(self) -> list[Press]:
        due = [at_s for at_s in self._left if at_s <= self._clock.t_s]
        return [self._left.pop(at_s) for at_s in due]
