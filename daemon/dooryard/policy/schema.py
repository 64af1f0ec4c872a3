"""What an owner can ask for: the policy's tables, their keys, defaults and bounds. Pure.

Each key's description is a line of policies/README.md (see `reference`), so it is written for the
owner. The tables about the box's own health are in `care`, what all are made of in `fields`.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, model_validator
from pydantic_core import PydanticCustomError

from dooryard.policy.box_tables import Disk, Heat, LowPower, Messages, Moisture, Spare
from dooryard.policy.fields import (
    ALL_SINKS,
    ANYTHING,
    MOST_COOLDOWN_MIN,
    NEVER,
    NOT_SURE,
    SUN_WITHOUT_PLACE,
    WEEK,
    KnownNames,
    Line,
    OneSink,
    SinkName,
    SinkNames,
    Table,
    as_tuple,
    known_birds,
    known_zone,
    one_line,
    own_summary_time,
    plain_name,
    summary_time,
)
from dooryard.policy.rule import Rule
from dooryard.policy.silence import Absence, Pause
from dooryard.policy.times import TimeOfDay
from dooryard.policy.window import Window, Windows

__all__ = [
    "ALL_SINKS", "ANYTHING", "MOST_COOLDOWN_MIN", "NEVER", "NOT_SURE", "SUN_WITHOUT_PLACE", "WEEK",
    "Absence", "Disk", "Heat", "Hours", "Keeping", "KnownNames", "Line", "LowPower", "Messages", "Moisture",
    "OwnSink", "Pause", "Place", "Policy", "Rule", "SinkName", "SinkNames", "Spare", "Summary", "Table",
    "Window", "as_tuple", "one_line", "plain_name",
]  # fmt: skip


class Place(Table):
    """Where the box is."""

    name: Line = Field(default="the garden", description="What the place is called in alerts.")
    latitude: float | None = Field(
        default=None,
        ge=-90,
        le=90,
        description="Degrees north, negative for south. Needed for hours by the sun.",
    )
    longitude: float | None = Field(
        default=None,
        ge=-180,
        le=180,
        description="Degrees east, negative for west. Needed for hours by the sun.",
    )
    time_zone: Annotated[str, AfterValidator(known_zone)] = Field(
        default="UTC", description='IANA name of the local time, such as "Europe/London".'
    )

    birds: Annotated[tuple[Line, ...], BeforeValidator(as_tuple), AfterValidator(known_birds)] | None = Field(
        default=None,
        max_length=2000,
        description='Which birds may be told here: a region ("europe", "north america east" or "west", "north'
        ' america", "here": by latitude and longitude, "anywhere") and names of birds, added or struck'
        ' out: ["here", "painted bunting", "not purple finch"]. Left out: "here". Takes effect at the next'
        " start.",
    )

    @cached_property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    @property
    def has_sun(self) -> bool:
        """Whether the sun's times can be known here."""
        return self.latitude is not None and self.longitude is not None


class Hours(Table):
    """When the camera watches, and when alerts wait."""

    watch: Windows = Field(
        default=(), description="One window or several in which the camera is on. None given: always on."
    )
    quiet: Windows = Field(
        default=(),
        description="One window or several in which only urgent alerts are sent. None given: never.",
    )
    when_quiet_ends: Literal["send", "summary"] = Field(
        default="send",
        description='"send": what was held goes to its rule\'s sinks then, 12 alerts at most; '
        '"summary": only the summary tells of it.',
    )


class Summary(Table):
    """One message a day on what came, with what was held in quiet hours."""

    at: Annotated[TimeOfDay | None, PlainValidator(summary_time)] = Field(
        default=TimeOfDay(20 * 60), description=f'When it is sent, written as in [hours], or "{NEVER}".'
    )
    send_to: SinkNames = Field(
        default=(ALL_SINKS,), description=f'Names of the box\'s sinks, or "{ALL_SINKS}".'
    )


class OwnSink(Table):
    """What holds for one sink, whatever rules send to it."""

    name: OneSink = Field(description="One of the box's sinks; each once.")
    quiet: Windows | None = Field(
        default=None, description="Its quiet hours in place of those of [hours]; []: never quiet."
    )
    summary_at: Annotated[TimeOfDay | str | None, PlainValidator(own_summary_time)] = Field(
        default=None, description=f'When it gets its summary, or "{NEVER}". Left out: as in [summary].'
    )
    at_most_per_hour: int | None = Field(
        default=None, ge=1, le=1000, description="The most alerts on visits to it in any 60 minutes."
    )
    at_most_per_day: int | None = Field(
        default=None, ge=1, le=1000, description="The most alerts on visits to it in a local day."
    )
    instead: OneSink | None = Field(
        default=None, description="The sink that gets its alerts as well while it cannot be reached."
    )
    instead_after_min: float = Field(
        default=15.0, ge=0, le=1440, description="Minutes from an alert's first try until that one gets it."
    )


class Keeping(Table):
    """What is kept on the box; the oldest goes first."""

    days: int = Field(default=60, ge=1, le=3660, description="Days that visits and pictures are kept.")
    megabytes: int = Field(
        default=2000, ge=20, le=2_000_000, description="The most room that pictures take (10^6 bytes)."
    )
    good_megabytes_a_day: int = Field(
        default=12,
        ge=0,
        le=10_000,
        description="What a day's pictures may take (10^6 bytes) before the rest of them are stored smaller,"
        " to spare the card: 1024 pixels and 120 kB at most, then 640 and 24.",
    )
    favourites: Literal["always", "while they fit"] = Field(
        default="always",
        description='Visits that were marked to keep outlast the days. "always": with their pictures, beyond '
        'the megabytes; "while they fit": their pictures count, and go last.',
    )

    @property
    def favourites_count(self) -> bool:
        """Whether pictures of favourites are within the megabytes."""
        return self.favourites == "while they fit"


class Policy(Table):
    """All that the owner wants. `Policy()` is what holds where no file says otherwise."""

    place: Place = Field(default=Place(), description="Where the box is.")
    hours: Hours = Field(default=Hours(), description="When the camera watches, and when alerts wait.")
    rule: tuple[Rule, ...] = Field(
        default=(Rule(name="anybody", visitor=(ANYTHING,)),),
        strict=False,
        max_length=100,
        description="The rules, in order. None given: one that tells of anybody.",
    )
    summary: Summary = Field(default=Summary(), description="One message a day.")
    absence: tuple[Absence, ...] = Field(
        default=(), strict=False, max_length=20, description="Told when nobody came."
    )
    pause: tuple[Pause, ...] = Field(
        default=(), strict=False, max_length=20, description="Dates on which only urgent alerts are sent."
    )
    sink: tuple[OwnSink, ...] = Field(default=(), strict=False, max_length=16, description="Of one sink.")
    keeping: Keeping = Field(default=Keeping(), description="What is kept on the box.")
    heat: tuple[Heat, ...] = Field(
        default=(), strict=False, max_length=32, description="What the box does without while it is hot."
    )
    low_power: LowPower = Field(default=LowPower(), description="What it does without on a weak supply.")
    moisture: Moisture = Field(default=Moisture(), description="When dew may settle in the box.")
    disk: Disk = Field(default=Disk(), description="When room on the card runs short.")
    messages: Messages = Field(default=Messages(), description="Who is told of the box itself.")

    @cached_property
    def longest_cooldown_s(self) -> float:
        """Of all rules: an older alert is in none of their cooldowns."""
        return 60 * max((rule.cooldown_min for rule in self.rule), default=0.0)

    @model_validator(mode="after")
    def _sun_has_place(self) -> Policy:
        used: list[Any] = [*self.hours.watch, *self.hours.quiet]
        used += [window for rule in self.rule for window in rule.hours]
        used += [window for sink in self.sink for window in sink.quiet or ()]
        at = [self.summary.at, *(sink.summary_at for sink in self.sink)]
        at += [absence.by for absence in self.absence]
        sun = [each.sun for each in at if isinstance(each, TimeOfDay)]
        by_sun = any(window.by_sun for window in used) or any(sun)
        if by_sun and not self.place.has_sun:
            raise PydanticCustomError(
                SUN_WITHOUT_PLACE, "times go by the sun, but place.latitude and place.longitude are not given"
            )
        return self
