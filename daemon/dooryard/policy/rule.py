"""What a rule may ask for. Pure."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from dooryard.core.records import SOMETHING
from dooryard.policy.dates import Dates
from dooryard.policy.fields import (
    ALL_SINKS,
    ANYTHING,
    MOST_COOLDOWN_MIN,
    NOT_SURE,
    Line,
    SinkNames,
    Table,
    VisitorName,
    as_tuple,
)
from dooryard.policy.window import Windows


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
    dates: Dates = Field(
        default=(),
        description="One range of dates or several in which it takes visits, with both ends. "
        "None given: always.",
    )
    hours: Windows = Field(
        default=(),
        description="One window or several in which it takes visits, written as in [hours]. "
        "None given: always.",
    )
    shortest_stay_s: float = Field(
        default=0.0, ge=0, le=3600, description="Takes only visits that last at least this many seconds."
    )
    at_once: int | None = Field(
        default=None,
        ge=2,
        le=50,
        description="Takes a visit only while at least so many of its visitors are here at once. "
        "Left out: any number.",
    )
    visits_in_hour: int | None = Field(
        default=None,
        ge=2,
        le=1000,
        description="Takes a visit only if at least so many of its visitors came in the last 60 minutes, "
        "this one among them. Left out: any number.",
    )
    new: Literal["ever", "year", "season"] | None = Field(
        default=None,
        description="Takes only visitors that were not seen here before, not in this year, or not in this "
        "season (from 1 Mar, 1 Jun, 1 Sep, 1 Dec). Left out: new or not.",
    )
    unseen_days: int | None = Field(
        default=None,
        ge=1,
        le=3650,
        description="Takes only visitors that were not seen here for at least so many days, or never. "
        "Left out: seen or not.",
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
    still_here_min: float | None = Field(
        default=None,
        ge=0.5,
        le=1440,
        description="One more message when a visit that it told still lasts after so many minutes. "
        "Left out: none.",
    )
    urgent: bool = Field(default=False, description="Whether its alerts go out in quiet hours too.")
    send_to: SinkNames = Field(
        default=(ALL_SINKS,),
        description=f'Names of the box\'s sinks, or "{ALL_SINKS}". Empty: tell nobody.',
    )
    with_picture: bool = Field(default=True, description="Whether the best picture goes with the alert.")
