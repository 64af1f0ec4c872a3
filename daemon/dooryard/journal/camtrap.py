"""The facts of Camtrap DP 1.0.2 that an export needs: tables, fields, types and constraints. Pure.

Sources: https://camtrap-dp.tdwg.org/data for the fields' names, order, types and whether they are required;
https://github.com/tdwg/camtrap-dp (the table schemas and its changelog up to 1.0.2, released 2025-06-10) for
enumerations and bounds; https://specs.frictionlessdata.io for Data Package and Table Schema. From memory, as
the published 1.0.2 schema files could not be read whole: the lower bound 1e-15 of a bounding box's sides, and
the pattern of `fileMediatype`.
"""

from __future__ import annotations

from typing import Any

VERSION = "1.0.2"
_HOME = f"https://raw.githubusercontent.com/tdwg/camtrap-dp/{VERSION}"
PROFILE = f"{_HOME}/camtrap-dp-profile.json"
TABLES = ("deployments", "media", "observations")
TIME = "%Y-%m-%dT%H:%M:%S%z"

Field = dict[str, Any]


def schema_url(table: str) -> str:
    return f"{_HOME}/{table}-table-schema.json"


def _field(name: str, kind: str = "string", *, required: bool = False, **constraints: Any) -> Field:
    found: Field = {"name": name, "type": kind, "constraints": {"required": required, **constraints}}
    if kind == "datetime":
        found["format"] = TIME
    return found


_FEATURES = ["roadPaved", "roadDirt", "trailHiking", "trailGame", "roadUnderpass", "roadOverpass",
             "roadBridge", "culvert", "burrow", "nestSite", "carcass", "waterSource",
             "fruitingTree"]  # fmt: skip
_TYPES = ["animal", "human", "vehicle", "blank", "unknown", "unclassified"]

FIELDS: dict[str, tuple[Field, ...]] = {
    "deployments": (
        _field("deploymentID", required=True, unique=True),
        _field("locationID"),
        _field("locationName"),
        _field("latitude", "number", required=True, minimum=-90, maximum=90),
        _field("longitude", "number", required=True, minimum=-180, maximum=180),
        _field("coordinateUncertainty", "integer", minimum=1),
        _field("deploymentStart", "datetime", required=True),
        _field("deploymentEnd", "datetime", required=True),
        _field("setupBy"),
        _field("cameraID"),
        _field("cameraModel"),
        _field("cameraDelay", "integer", minimum=0),
        _field("cameraHeight", "number", minimum=0),
        _field("cameraDepth", "number", minimum=0),
        _field("cameraTilt", "integer", minimum=-90, maximum=90),
        _field("cameraHeading", "integer", minimum=0, maximum=360),
        _field("detectionDistance", "number", minimum=0),
        _field("timestampIssues", "boolean"),
        _field("baitUse", "boolean"),
        _field("featureType", enum=_FEATURES),
        _field("habitat"),
        _field("deploymentGroups"),
        _field("deploymentTags"),
        _field("deploymentComments"),
    ),
    "media": (
        _field("mediaID", required=True, unique=True),
        _field("deploymentID", required=True),
        _field("captureMethod", enum=["activityDetection", "timeLapse"]),
        _field("timestamp", "datetime", required=True),
        _field("filePath", required=True, pattern=r"^(?=^[^./~])(^((?!\.{2}).)*$).*$"),
        _field("filePublic", "boolean", required=True),
        _field("fileName"),
        _field("fileMediatype", required=True, pattern=r"^(image|video|audio)/.*$"),
        _field("exifData", "any"),
        _field("favorite", "boolean"),
        _field("mediaComments"),
    ),
    "observations": (
        _field("observationID", required=True, unique=True),
        _field("deploymentID", required=True),
        _field("mediaID"),
        _field("eventID"),
        _field("eventStart", "datetime", required=True),
        _field("eventEnd", "datetime", required=True),
        _field("observationLevel", required=True, enum=["media", "event"]),
        _field("observationType", required=True, enum=_TYPES),
        _field("cameraSetupType", enum=["setup", "calibration"]),
        _field("scientificName"),
        _field("count", "integer", minimum=1),
        _field("lifeStage", enum=["adult", "subadult", "juvenile"]),
        _field("sex", enum=["female", "male"]),
        _field("behavior"),
        _field("individualID"),
        _field("individualPositionRadius", "number", minimum=0),
        _field("individualPositionAngle", "number", minimum=-90, maximum=90),
        _field("individualSpeed", "number", minimum=0),
        _field("bboxX", "number", minimum=0, maximum=1),
        _field("bboxY", "number", minimum=0, maximum=1),
        _field("bboxWidth", "number", minimum=1e-15, maximum=1),
        _field("bboxHeight", "number", minimum=1e-15, maximum=1),
        _field("classificationMethod", enum=["human", "machine"]),
        _field("classifiedBy"),
        _field("classificationTimestamp", "datetime"),
        _field("classificationProbability", "number", minimum=0, maximum=1),
        _field("observationTags"),
        _field("observationComments"),
    ),
}

_KEYS: dict[str, dict[str, str]] = {
    "deployments": {},
    "media": {"deploymentID": "deployments"},
    "observations": {"deploymentID": "deployments", "mediaID": "media"},
}


def names(table: str) -> tuple[str, ...]:
    return tuple(field["name"] for field in FIELDS[table])


def schema(table: str) -> dict[str, Any]:
    """The Table Schema of `table`: its fields, keys and missing values."""
    return {
        "name": table,
        "fields": list(FIELDS[table]),
        "missingValues": ["", "NA", "NaN", "nan"],
        "primaryKey": names(table)[0],
        "foreignKeys": [
            {"fields": name, "reference": {"resource": other, "fields": name}}
            for name, other in _KEYS[table].items()
        ],
    }
