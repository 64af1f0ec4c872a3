"""What an owner can ask for: the policy's tables, their keys, defaults and bounds. Pure.

Each key's description is a line of policies/README.md (see `reference`), so it is written for the
owner. The tables about the box's own welfare are in `care`, what all are made of in `fields`.
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, model_validator
from pydantic_core import PydanticCustomError

from dooryard.policy.care import Disk, Heat, LowPower, Messages, Moisture, Spare
from dooryard.policy.fields import (
    ALL_SINKS,
    ANYTHING,
    MOST_COOLDOWN_MIN,
    NEVER,
    NOT_SURE,
    SUN_WITHOUT_PLACE,
    WEEK,
    Days,
    Known,
    Line,
    SinkName,
    SinkNames,
    Table,
    Time,
    VisitorName,
    as_tuple,
    known_birds,
    known_zone,
    one_line,
    plain_name,
    summary_time,
)
from dooryard.policy.times import DAY_MIN, TimeOfDay
from dooryard.records import SOMETHING

__all__ = [
    "ALL_SINKS", "ANYTHING", "MOST_COOLDOWN_MIN", "NEVER", "NOT_SURE", "SUN_WITHOUT_PLACE", "WEEK",
    "Disk", "Heat", "Hours", "Keeping", "Known", "Line", "LowPower", "Messages", "Moisture", "Place",
    "Policy", "Rule", "SinkName", "SinkNames", "Spare", "Summary", "Table", "Window", "as_tuple",
    "one_line", "plain_name",
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
        description='Which birds may be told here: "europe", "north america", "anywhere", or a list of'
        " scientific names. Left out: by latitude and longitude. Takes effect at the next start.",
    )

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.time_zone)

    @property
    def has_sun(self) -> bool:
        """Whether the sun's times can be known here."""
        return self.latitude is not None and self.longitude is not None


class Window(Table):
    """A stretch of each day, or of some days of the week.

    An end at or before its beginning, by the clock, is on the next day.
    """

    opens: Time = Field(
        alias="from", description='When it begins: "HH:MM", "sunrise", "sunset-1h", "dawn", "dusk+20min".'
    )
    closes: Time = Field(alias="to", description="When it ends, written the same way.")
    days: Days = Field(
        default=WEEK,
        description='Days of the week on which it begins, such as ["Sat", "Sun"]; it may end on the next.',
    )

    @model_validator(mode="after")
    def _lasts(self) -> Window:
        ends_at_once = self.opens == TimeOfDay(DAY_MIN) and self.closes == TimeOfDay(0)
        if self.opens == self.closes or ends_at_once:
            raise ValueError('begins when it ends; for the whole day write from = "00:00", to = "24:00"')
        return self

    def begins_on(self, on: date) -> bool:
        """Whether the day of the week is one of the window's."""
        return WEEK[on.weekday()] in self.days

    @property
    def by_sun(self) -> bool:
        return self.opens.sun is not None or self.closes.sun is not None

    @property
    def by_sun_only(self) -> bool:
        return self.opens.sun is not None and self.closes.sun is not None


Windows = Annotated[tuple[Window, ...], BeforeValidator(as_tuple), Field(max_length=8)]


class Hours(Table):
    """When the camera watches, and when alerts wait."""

    watch: Windows = Field(
        default=(), description="One window or several in which the camera is on. None given: always on."
    )
    quiet: Windows = Field(
        default=(),
        description="One window or several in which only what is urgent is sent. None given: never.",
    )
    when_quiet_ends: Literal["send", "summary"] = Field(
        default="send",
        description='"send": what was held goes to its rule\'s sinks then, 12 alerts at most; '
        '"summary": only the summary tells of it.',
    )


class Rule(Table):
    """Whom to tell about, and how often. The first rule that takes a visit decides on it."""

    name: Line = Field(description="What the rule is called in reasons and logs; each name once.")
    visitor: Annotated[
        tuple[VisitorName, ...], BeforeValidator(as_tuple), Field(min_length=1, max_length=200)
    ] = Field(
        description=f'Whom it is for: groups ("bird"), species by common or scientific name, '
        f'"{NOT_SURE}" (its species could be told and is not, or its group is not certain), '
        f'"{ANYTHING}" that was classified, or "{SOMETHING}": what '
        "moved while the classifier was away."
    )
    sure: float = Field(
        default=0.5,
        ge=0,
        le=1,
        description="Takes only visits that are at least this certain: of the group where the rule names"
        " groups, of the species where it names that.",
    )
    hours: Windows = Field(
        default=(),
        description="One window or several in which it takes visits, written as in [hours]. "
        "None given: always.",
    )
    shortest_stay_s: float = Field(
        default=0.0, ge=0, le=3600, description="Takes only visits that last at least this many seconds."
    )
    cooldown_min: float = Field(
        default=4.0,
        ge=0,
        le=MOST_COOLDOWN_MIN,
        description="Minutes that must pass after an alert before the next.",
    )
    cooldown_per: Literal["visitor", "rule"] = Field(
        default="visitor",
        description='Whether each visitor has a cooldown of its own, or the "rule" has one for all.',
    )
    at_most_per_day: int = Field(
        default=40,
        ge=1,
        le=1000,
        description="The most alerts of this rule in a local day, all visitors together.",
    )
    at_most_per_hour: int | None = Field(
        default=None,
        ge=1,
        le=1000,
        description="The most alerts of this rule in any 60 minutes. Left out: no such bound.",
    )
    only_first_of_day: bool = Field(
        default=False, description="Whether each visitor is told of once in a local day only."
    )
    urgent: bool = Field(default=False, description="Whether its alerts go out in quiet hours too.")
    send_to: SinkNames = Field(
        default=(ALL_SINKS,),
        description=f'Names of the box\'s sinks, or "{ALL_SINKS}". Empty: tell nobody.',
    )
    with_picture: bool = Field(default=True, description="Whether the best picture goes with the alert.")


class Summary(Table):
    """One message a day on what came, with what was held in quiet hours."""

    at: Annotated[TimeOfDay | None, PlainValidator(summary_time)] = Field(
        default=TimeOfDay(20 * 60), description=f'When it is sent, written as in [hours], or "{NEVER}".'
    )
    send_to: SinkNames = Field(
        default=(ALL_SINKS,), description=f'Names of the box\'s sinks, or "{ALL_SINKS}".'
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
    keeping: Keeping = Field(default=Keeping(), description="What is kept on the box.")
    heat: tuple[Heat, ...] = Field(
        default=(), strict=False, max_length=32, description="What the box does without while it is hot."
    )
    low_power: LowPower = Field(default=LowPower(), description="What it does without on a weak supply.")
    moisture: Moisture = Field(default=Moisture(), description="When dew may settle in the box.")
    disk: Disk = Field(default=Disk(), description="When room on the card runs short.")
    messages: Messages = Field(default=Messages(), description="Who is told of the box itself.")

    @model_validator(mode="after")
    def _sun_has_place(self) -> Policy:
        used: list[Any] = [*self.hours.watch, *self.hours.quiet]
        used += [window for rule in self.rule for window in rule.hours]
        by_sun = any(window.by_sun for window in used) or (
            self.summary.at is not None and self.summary.at.sun is not None
        )
        if by_sun and not self.place.has_sun:
            raise PydanticCustomError(
                SUN_WITHOUT_PLACE, "times go by the sun, but place.latitude and place.longitude are not given"
            )
        return self
