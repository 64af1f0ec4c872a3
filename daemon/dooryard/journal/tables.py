"""From entries to the rows of an export. Pure.

A deployment is a stretch without a gap: a time off (heat, the button, a power cut) ends one and begins
the next. Nights outside the watch hours end one too. So effort can be summed from the deployments alone.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from dooryard.core.records import SOMETHING
from dooryard.history.entries import Entry
from dooryard.journal import camtrap
from dooryard.journal.tally import was_right
from dooryard.policy.hours import Span
from dooryard.policy.schema import Place

Row = dict[str, Any]
_METRES_PER_DEGREE = 111_320.0  # along a meridian, rounded; along a parallel times the latitude's cosine

# Groups for which one taxon holds all that a model of garden visitors puts there.
TAXA: dict[str, tuple[str, str]] = {
    "bird": ("Aves", "class"),
    "squirrel": ("Sciuridae", "family"),
    "cat": ("Felis catus", "species"),
    "dog": ("Canis familiaris", "species"),
    "fox": ("Canidae", "family"),
    "rabbit": ("Leporidae", "family"),
    "animal": ("Animalia", "kingdom"),
}


@dataclass(frozen=True, slots=True)
class Spot:
    """Where the box is, as precisely as the owner wants it told: rounded to `decimals` of a degree."""

    latitude: float
    longitude: float
    decimals: int

    @property
    def precision_deg(self) -> float:
        return float(round(10.0**-self.decimals, self.decimals))

    @property
    def uncertainty_m(self) -> int:
        """The largest distance between the true and the rounded position, rounded up to metres.

        Half a step of rounding in each direction: √((s/2)² + (s/2 · cos φ)²), at the end of the rounded
        square that lies nearer to the equator.
        """
        half = self.precision_deg / 2 * _METRES_PER_DEGREE
        nearest = max(0.0, abs(self.latitude) - self.precision_deg / 2)
        return max(1, math.ceil(math.hypot(half, half * math.cos(math.radians(nearest)))))


def spot(place: Place, decimals: int) -> Spot | None:
    """The place rounded; None where the policy has no coordinates."""
    if place.latitude is None or place.longitude is None:
        return None
    return Spot(round(place.latitude, decimals), round(place.longitude, decimals), decimals)


def stamp(wall: datetime) -> str:
    """A time as the standard writes it: whole seconds, in UTC."""
    return wall.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


@dataclass(frozen=True, slots=True)
class Deployment:
    """A stretch of watching."""

    id: str
    start: datetime
    end: datetime


def deployments(spans: Sequence[Span], box: str) -> list[Deployment]:
    """One for each of `spans`, which are in order and apart."""
    return [Deployment(f"{box}-{start.astimezone(UTC):%Y%m%dT%H%M%SZ}", start, end) for start, end in spans]


def within(found: Sequence[Deployment], wall: datetime) -> Deployment:
    """The deployment that a visit belongs to: the newest that had begun; the first for an earlier one.

    `found` is not empty. A visit can begin a moment after the camera's time is over, as the visits that
    last are ended then.
    """
    index = bisect_right([each.start for each in found], wall) - 1
    return found[max(0, index)]


def deployment_row(each: Deployment, place: Place, where: Spot, box: str) -> Row:
    return {
        "deploymentID": each.id,
        "locationID": box,
        "locationName": place.name,
        "latitude": where.latitude,
        "longitude": where.longitude,
        "coordinateUncertainty": where.uncertainty_m,
        "deploymentStart": stamp(each.start),
        "deploymentEnd": stamp(each.end),
        "cameraID": box,
        "timestampIssues": "false",
        "baitUse": "true",  # it watches a feeder
        "deploymentTags": "garden feeder",
    }


def media_row(entry: Entry, deployment: str, file: str) -> Row:
    """The best picture of a visit; `file` is its path within the package."""
    return {
        "mediaID": entry.id,
        "deploymentID": deployment,
        "captureMethod": "activityDetection",
        "timestamp": stamp(entry.start),
        "filePath": file,
        "filePublic": "true",
        "fileName": file.rsplit("/", 1)[-1],
        "fileMediatype": "image/jpeg",
        "favorite": "true" if entry.said.keep else "false",
        "mediaComments": "best picture of the visit; timestamp is that of the arrival",
    }


def observation_row(entry: Entry, deployment: str, model: str) -> Row:
    """A visit as an event; a person's correction replaces the model's answer, which stays in the comments."""
    human = entry.said.nobody or entry.said.visitor is not None
    unknown = not human and entry.told.group == SOMETHING
    name, _ = taxon(entry)
    row: Row = {
        "observationID": entry.id,
        "deploymentID": deployment,
        "eventID": entry.id,
        "eventStart": stamp(entry.start),
        "eventEnd": stamp(max(entry.last_seen, entry.start)),
        "observationLevel": "event",
        "observationType": "blank" if entry.said.nobody else "unclassified" if unknown else "animal",
        "scientificName": name,
        "count": None if entry.said.nobody or unknown else 1,
    }
    if unknown:  # no classifier looked
        return row
    row |= {
        "classificationMethod": "human" if human else "machine",
        "classifiedBy": "owner" if human else model,
        "classificationTimestamp": stamp(entry.said.wall if human and entry.said.wall else entry.last_seen),
        "classificationProbability": None if human else round(entry.told.sure, 4),
        "observationTags": f"commonName:{entry.visitor.key}" if not entry.said.nobody else None,
    }
    if human:
        row["observationComments"] = f"machine: {entry.told.key}, probability {entry.told.sure:.4f}"
    return row


def taxon(entry: Entry) -> tuple[str | None, str]:
    """Scientific name and rank, as narrow as is known; (None, "") where none is."""
    if entry.said.nobody:
        return None, ""
    if entry.visitor.scientific:
        return entry.visitor.scientific, "species"
    return TAXA.get(entry.visitor.group, (None, ""))


VISIT_FIELDS: tuple[dict[str, Any], ...] = (
    {"name": "visit", "type": "string", "constraints": {"required": True, "unique": True}},
    {"name": "start", "type": "datetime", "format": camtrap.TIME},
    {"name": "end", "type": "datetime", "format": camtrap.TIME},
    {"name": "clock_set", "type": "boolean"},
    {"name": "stay_s", "type": "number", "constraints": {"minimum": 0}},
    {"name": "visitor", "type": "string"},
    {"name": "group", "type": "string"},
    {"name": "species", "type": "string"},
    {"name": "scientific", "type": "string"},
    {"name": "named_by", "type": "string", "constraints": {"enum": ["box", "person"]}},
    {"name": "box_said", "type": "string"},
    {"name": "box_sure", "type": "number", "constraints": {"minimum": 0, "maximum": 1}},
    {"name": "box_right", "type": "boolean"},
    {"name": "nobody", "type": "boolean"},
    {"name": "looks", "type": "integer", "constraints": {"minimum": 0}},
    {"name": "outcome", "type": "string"},
    {"name": "rule", "type": "string"},
    {"name": "picture", "type": "string"},
)


def visit_row(entry: Entry) -> Row:
    """A visit for the plain table; empty where nothing is known."""
    visitor, right = entry.visitor, was_right(entry)
    human = entry.said.nobody or entry.said.visitor is not None
    return {
        "visit": entry.id,
        "start": stamp(entry.start),
        "end": stamp(entry.last_seen),
        "clock_set": _truth(entry.clock_set),
        "stay_s": round(entry.stay_s, 1),
        "visitor": "nobody" if entry.said.nobody else visitor.key,
        "group": None if entry.said.nobody else visitor.group or None,
        "species": None if entry.said.nobody else visitor.species,
        "scientific": None if entry.said.nobody else visitor.scientific,
        "named_by": "person" if human else "box",
        "box_said": entry.told.key,
        "box_sure": round(entry.told.sure, 4),
        "box_right": None if right is None else _truth(right),
        "nobody": _truth(entry.said.nobody),
        "looks": entry.sightings,
        "outcome": entry.outcome.value,
        "rule": entry.rule,
        "picture": entry.picture,
    }


def _truth(value: bool) -> str:
    return "true" if value else "false"


def harmless(value: object) -> object:
    """Text that a spreadsheet would take for a formula gets an apostrophe before it."""
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return f"'{value}"
    return value


def taxa_of(entries: Iterable[Entry]) -> dict[str, tuple[str, str]]:
    """Scientific name -> rank and common name, of all that `entries` name."""
    found: dict[str, tuple[str, str]] = {}
    for entry in entries:
        name, rank = taxon(entry)
        if name:
            found[name] = (rank, entry.visitor.species or entry.visitor.group)
    return found
