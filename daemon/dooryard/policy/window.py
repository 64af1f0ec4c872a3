"""A window: a stretch of each day, of some days of the week, or of some part of the year. Pure."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from dooryard.policy.dates import Dates, within
from dooryard.policy.fields import WEEK, Days, Table, Time, as_tuple
from dooryard.policy.times import DAY_MIN, TimeOfDay


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
    dates: Dates = Field(
        default=(),
        description="One range of dates or several in which it begins, with both ends. None given: always.",
    )

    @model_validator(mode="after")
    def _lasts(self) -> Window:
        ends_at_once = self.opens == TimeOfDay(DAY_MIN) and self.closes == TimeOfDay(0)
        if self.opens == self.closes or ends_at_once:
            raise ValueError('begins when it ends; for the whole day write from = "00:00", to = "24:00"')
        return self

    def begins_on(self, on: date) -> bool:
        """Whether the day of the week and the date are among the window's."""
        return WEEK[on.weekday()] in self.days and within(self.dates, on)

    @property
    def by_sun(self) -> bool:
        return self.opens.sun is not None or self.closes.sun is not None

    @property
    def by_sun_only(self) -> bool:
        return self.opens.sun is not None and self.closes.sun is not None


Windows = Annotated[tuple[Window, ...], BeforeValidator(as_tuple), Field(max_length=8)]


def without_dates(windows: tuple[Window, ...]) -> tuple[Window, ...]:
    """`windows` as they were if they had no dates."""
    return tuple(w.model_copy(update={"dates": ()}) if w.dates else w for w in windows)
