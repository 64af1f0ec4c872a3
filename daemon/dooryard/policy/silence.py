"""The tables about silence: that nobody came, and that nobody is to be disturbed. Pure."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, PlainValidator, model_validator

from dooryard.policy.dates import Dates
from dooryard.policy.fields import (
    ALL_SINKS,
    ANYTHING,
    WEEK,
    Days,
    Line,
    SinkNames,
    Table,
    VisitorName,
    as_tuple,
)
from dooryard.policy.times import TimeOfDay, parse_time


class Absence(Table):
    """Told when nobody came: by an hour of the day, or in so many hours of watching."""

    name: Line = Field(description="What it is called in logs and lists; each name once.")
    visitor: Annotated[
        tuple[VisitorName, ...], BeforeValidator(as_tuple), Field(min_length=1, max_length=200)
    ] = Field(default=(ANYTHING,), description="Who is awaited, named as in a rule.")
    sure: float = Field(
        default=0.5, ge=0, le=1, description="How certain a visit must be to count, compared as in a rule."
    )
    by: Annotated[TimeOfDay | None, PlainValidator(parse_time)] = Field(
        default=None,
        description="Told at this time, written as in [hours], where none came since midnight and the box"
        " watched for an hour or more. Either this or after_h.",
    )
    days: Days = Field(default=WEEK, description="With by: days of the week on which it is told.")
    after_h: float | None = Field(
        default=None,
        ge=0.5,
        le=2000,
        description="Told after so many hours of watching since one came last. Either this or by.",
    )
    dates: Dates = Field(
        default=(), description="One range of dates or several on which it is told. None given: always."
    )
    when_over: bool = Field(default=True, description="Whether it is told, too, that one has come at last.")
    urgent: bool = Field(default=False, description="Whether it goes out in quiet hours too.")
    send_to: SinkNames = Field(
        default=(ALL_SINKS,), description=f'Names of the box\'s sinks, or "{ALL_SINKS}".'
    )

    @model_validator(mode="after")
    def _one_of_two(self) -> Absence:
        if (self.by is None) == (self.after_h is None):
            raise ValueError(
                "needs one of by and after_h, and has both; take one out"
                if self.by is not None
                else 'needs by = "HH:MM", or after_h, the hours of watching; add one of them'
            )
        if self.by is None and "days" in self.model_fields_set:
            raise ValueError("days go with by, and it has after_h; write dates, or take the days out")
        return self


class Pause(Table):
    """Dates on which only urgent alerts are sent."""

    name: Line = Field(description="What it is called in reasons; each name once.")
    dates: Dates = Field(
        min_length=1, description="One range of dates or several: local days on which nothing else is sent."
    )
