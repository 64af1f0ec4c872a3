"""The description of a Camtrap DP package: who, where, when, which animals. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

from dooryard.journal import camtrap
from dooryard.journal.tables import Spot, stamp


@dataclass(frozen=True, slots=True)
class Scope:
    """What a package is about."""

    place: str
    where: Spot
    first: date
    last: date
    taxa: Mapping[str, tuple[str, str]]  # scientific name -> rank, common name
    created: datetime
    owner: str


def package(scope: Scope) -> dict[str, Any]:
    """The content of datapackage.json."""
    return {
        "profile": camtrap.PROFILE,
        "name": f"visits-{scope.first:%Y%m%d}-{scope.last:%Y%m%d}",
        "title": f"Visits at {scope.place}, {scope.first} to {scope.last}",
        "created": stamp(scope.created),
        "contributors": [{"title": scope.owner, "role": "contact"}],
        "project": {
            "title": f"Visits at {scope.place}",
            "description": "Visits to a garden feeder, seen by a fixed camera and named by a program.",
            "samplingDesign": "opportunistic",
            "captureMethod": ["activityDetection"],
            "individualAnimals": False,
            "observationLevel": ["event"],
        },
        "coordinatePrecision": scope.where.precision_deg,
        "spatial": {"type": "Point", "coordinates": [scope.where.longitude, scope.where.latitude]},
        "temporal": {"start": scope.first.isoformat(), "end": scope.last.isoformat()},
        "taxonomic": [_taxon(name, *about) for name, about in sorted(scope.taxa.items())],
        "resources": [_resource(table) for table in camtrap.TABLES],
    }


def _taxon(name: str, rank: str, common: str) -> dict[str, Any]:
    return {"scientificName": name, "taxonRank": rank, "vernacularNames": {"eng": common}}


def _resource(table: str) -> dict[str, Any]:
    return {
        "name": table,
        "path": f"{table}.csv",
        "profile": "tabular-data-resource",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": camtrap.schema_url(table),
    }
