"""The Camtrap DP export against outside sources.

Data Package and Table Schema rules are checked by PyPI `frictionless`, the reference implementation of
https://specs.frictionlessdata.io. The tables' facts are those of Camtrap DP 1.0.2
(https://camtrap-dp.tdwg.org and https://github.com/tdwg/camtrap-dp), embedded in
`dooryard.journal.camtrap`, as the published schema files are not fetched here; so what is proven is that
the export keeps the rules as they are embedded.
"""

from __future__ import annotations

import csv
import json
import math
import warnings
from datetime import UTC, date, datetime, timedelta

import pytest

from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.records import SOMETHING, Outcome, Visitor
from dooryard.history import annotations as marks
from dooryard.history.database import AnnotationDatabase
from dooryard.journal import camtrap, tables
from dooryard.journal.export import By, Period, export_camtrap, export_visits
from dooryard.policy.schema import Policy
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY, SQUIRREL, WICKED, AlderRow

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # what the library's own imports warn of is not ours to mend
    frictionless = pytest.importorskip("frictionless", reason="PyPI frictionless is not installed")

TELL, SILENT = Outcome.TELL, Outcome.SILENT
DAY = timedelta(days=1)
BY = By("alder-row", "lite0", "The gardener of Alder Row")
LATER = NOON + 3 * DAY


@pytest.fixture
def row(tmp_path):
    row = AlderRow(tmp_path)
    ids = row.add(
        (NOON, FINCH, TELL), (NOON + timedelta(hours=1), BIRD, SILENT), (NOON + DAY, SQUIRREL, TELL),
        (NOON + DAY + timedelta(hours=2), WICKED, TELL), (NOON + 2 * DAY, BIRD, TELL),
    )  # fmt: skip
    row.add((NOON + DAY + timedelta(minutes=5), SQUIRREL, TELL), picture=False)
    row.add((NOON, BIRD, TELL), clock_set=False)
    database = AnnotationDatabase(row.state)
    database.off(NOON + DAY + timedelta(hours=3), NOON + DAY + timedelta(hours=5), "heat")
    database.close()
    marks.make(row.state, ids[1], "nobody", LATER)
    marks.make(row.state, ids[2], "keep", LATER)
    marks.make(row.state, ids[3], "wren", LATER, group_of={"wren": "bird"})
    marks.make(row.state, ids[4], "hide", LATER)
    row.out = tmp_path / "package"
    return row


def exported(row, **more):
    return export_camtrap(row.state, row.out, POLICY, LATER, BY, **more)


def table(row, name):
    with (row.out / f"{name}.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def report_on(folder):
    """What frictionless says of the package, with the embedded schemas in place of the published ones."""
    described = json.loads((folder / "datapackage.json").read_text())
    for resource in described["resources"]:
        assert resource["schema"] == camtrap.schema_url(resource["name"])
        resource["schema"] = camtrap.schema(resource["name"])
        del resource["profile"]
    del described["profile"]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        package = frictionless.Package.from_descriptor(described, basepath=str(folder))
        return package.validate()


def errors(report):
    return report.flatten(["type", "message"])


def test_the_package_is_valid(row):
    done = exported(row)
    assert (done.visits, done.pictures, done.undated) == (5, 4, 1)
    report = report_on(row.out)
    assert errors(report) == []
    assert report.valid
    assert report.stats["tasks"] == 3


def test_a_visit_that_no_classifier_saw_is_valid_too(row):
    row.add((NOON + timedelta(minutes=30), Visitor(SOMETHING, 0.0), SILENT))
    exported(row)
    assert errors(report_on(row.out)) == []
    assert sum(each["observationType"] == "unclassified" for each in table(row, "observations")) == 1


@pytest.mark.parametrize(
    ("name", "column", "value"),
    [
        ("deployments", "latitude", "91"),
        ("media", "deploymentID", "another"),
        ("media", "filePath", "../secret.jpg"),
        ("observations", "observationType", "bird"),
        ("observations", "eventStart", "yesterday"),
        ("observations", "observationID", ""),
    ],
)
def test_the_check_itself_catches(row, name, column, value):
    exported(row)
    rows = table(row, name)
    rows[0][column] = value
    with (row.out / f"{name}.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    assert not report_on(row.out).valid


def test_deployments_have_gaps_at_night_and_in_the_heat(row):
    exported(row)
    spans = [(each["deploymentStart"], each["deploymentEnd"]) for each in table(row, "deployments")]
    assert spans == [
        ("2026-06-14T05:00:00Z", "2026-06-14T19:00:00Z"),
        ("2026-06-15T05:00:00Z", "2026-06-15T14:00:00Z"),
        ("2026-06-15T16:00:00Z", "2026-06-15T19:00:00Z"),
        ("2026-06-16T05:00:00Z", "2026-06-16T19:00:00Z"),
    ]


def test_each_visit_lies_within_its_deployment(row):
    exported(row)
    spans = {each["deploymentID"]: each for each in table(row, "deployments")}
    for each in table(row, "observations"):
        home = spans[each["deploymentID"]]
        assert home["deploymentStart"] <= each["eventStart"] <= each["eventEnd"] <= home["deploymentEnd"]


def test_observations_say_who_said_so_and_how_sure(row):
    exported(row)
    rows = table(row, "observations")
    by_machine, blank, kept, named, _ = sorted(rows, key=lambda each: each["eventStart"])[:5]
    blank, by_machine = (blank, by_machine) if blank["observationType"] == "blank" else (by_machine, blank)
    assert by_machine["scientificName"] == "Haemorhous mexicanus"
    assert by_machine["classificationMethod"] == "machine"
    assert by_machine["classifiedBy"] == "lite0"
    assert float(by_machine["classificationProbability"]) == 0.84
    assert blank["classificationMethod"] == "human"
    assert blank["scientificName"] == blank["count"] == blank["classificationProbability"] == ""
    assert blank["observationComments"] == "machine: bird, probability 0.9700"
    assert kept["scientificName"] == "Sciuridae"
    wren = next(each for each in rows if each["observationTags"] == "commonName:wren")
    assert wren["scientificName"] == "Aves"  # nobody gave the wren's scientific name
    assert [each["favorite"] for each in table(row, "media")].count("true") == 1
    assert named is not None


def test_media_files_are_there_and_only_theirs(row):
    exported(row)
    files = {each["filePath"] for each in table(row, "media")}
    assert files == {f"media/{path.name}" for path in (row.out / "media").iterdir()}


def test_metadata(row):
    exported(row)
    described = json.loads((row.out / "datapackage.json").read_text())
    assert described["profile"].endswith("/1.0.2/camtrap-dp-profile.json")
    required = {
        "resources",
        "profile",
        "created",
        "contributors",
        "project",
        "spatial",
        "temporal",
        "taxonomic",
    }
    assert required <= described.keys()
    assert described["temporal"] == {"start": "2026-06-14", "end": "2026-06-16"}
    assert described["coordinatePrecision"] == 0.01
    assert described["spatial"] == {"type": "Point", "coordinates": [-1.26, 51.75]}
    names = {each["scientificName"] for each in described["taxonomic"]}
    assert names == {each["scientificName"] for each in table(row, "observations")} - {""}


@pytest.mark.parametrize("decimals", [0, 1, 2, 3])
def test_the_rounded_position_is_within_the_uncertainty_it_claims(decimals):
    """Distances by the haversine formula on a sphere of 6,371,009 m (the IUGG mean radius)."""
    for latitude, longitude in ((51.752, -1.258), (-33.8688, 151.2093), (0.005, 0.005), (69.6492, 18.9553)):
        place = POLICY.place.model_copy(update={"latitude": latitude, "longitude": longitude})
        spot = tables.spot(place, decimals)
        a, b = math.radians(latitude), math.radians(spot.latitude)
        d = math.radians(spot.longitude - longitude)
        h = math.sin((b - a) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(d / 2) ** 2
        assert 2 * 6_371_009 * math.asin(math.sqrt(h)) <= spot.uncertainty_m


def test_dates_can_be_chosen(row):
    done = exported(row, period=Period(date(2026, 6, 15), date(2026, 6, 15)))
    assert (done.visits, done.deployments) == (3, 2)
    assert report_on(row.out).valid


def test_what_cannot_be_exported_says_what_to_do(row):
    with pytest.raises(ConfigError, match="asks for a position"):
        export_camtrap(row.state, row.out, Policy(), LATER, BY)
    with pytest.raises(ConfigError, match="0 to 6 decimals"):
        exported(row, decimals=9)
    exported(row)
    with pytest.raises(ConfigError, match="is not empty"):
        exported(row)
    row.out = row.state / "journal.sqlite3"
    with pytest.raises(ConfigError, match="is a file"):
        exported(row)


@pytest.mark.parametrize("frame_min", [30, -30])
def test_no_deployment_lasts_longer_than_the_box_is_known_to_have_watched(row, frame_min):
    """The last frame as the box noted it, or a visitor seen after that note, as before a power cut."""
    last_visit = NOON + 2 * DAY + timedelta(seconds=20)
    store = row.store()
    store.save_states({"last_frame": (NOON + 2 * DAY + timedelta(minutes=frame_min)).isoformat().encode()})
    store.close()
    exported(row)
    ends = [datetime.fromisoformat(each["deploymentEnd"]) for each in table(row, "deployments")]
    assert max(ends) == max(last_visit, NOON + 2 * DAY + timedelta(minutes=frame_min))
    assert report_on(row.out).valid


def test_nothing_watched_nothing_exported(row):
    with pytest.raises(StoreError, match="did not watch"):
        exported(row, period=Period(date(2026, 7, 1), date(2026, 7, 2)))


def test_the_plain_table_is_valid(row, tmp_path):
    done = export_visits(row.state, tmp_path / "visits.csv", POLICY)
    assert (done.visits, done.undated) == (6, 1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        schema = frictionless.Schema.from_descriptor(
            json.loads((tmp_path / "visits.schema.json").read_text())
        )
        resource = frictionless.Resource(path="visits.csv", basepath=str(tmp_path), schema=schema)
        assert errors(resource.validate()) == []
    with (tmp_path / "visits.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [each["box_right"] for each in rows].count("false") == 2
    assert datetime.fromisoformat(rows[0]["start"]).astimezone(UTC) == NOON


def test_a_name_is_no_formula_for_a_spreadsheet():
    assert tables.harmless('=HYPERLINK("http://x")') == '\'=HYPERLINK("http://x")'
    assert tables.harmless(-1.26) == -1.26
    assert tables.harmless("wren") == "wren"
