"""Data to hand on: a Camtrap DP package with its pictures, or a plain table of visits. Edge."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

from dooryard.core.atomic_files import FileCalls, make_folders, write_file
from dooryard.core.errors import ConfigError, StoreError
from dooryard.core.wording import spoken
from dooryard.history.database import AnnotationDatabase
from dooryard.history.entries import Entry
from dooryard.history.reader import Reader
from dooryard.journal import camtrap, pictures, tables
from dooryard.journal.counts import day_span, joined, without
from dooryard.journal.effort import watched_on
from dooryard.journal.package import Scope, package
from dooryard.journal.phrases import title_of
from dooryard.policy.hours import Span
from dooryard.policy.schema import Policy

MEDIA = "media"
_MOST_DECIMALS = 6  # a decimetre
_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Period:
    """Local dates, both included; None: from the first visit, or to the last."""

    first: date | None = None
    last: date | None = None


ALL = Period()


@dataclass(frozen=True, slots=True)
class Dates:
    """A period with both of its ends."""

    first: date
    last: date


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written."""

    visits: int
    pictures: int
    deployments: int
    undated: int  # visits left out because the clock was not set


@dataclass(frozen=True, slots=True)
class By:
    """Who and what stands behind the data."""

    box: str
    model: str  # the classifier's name
    owner: str


@dataclass(frozen=True, slots=True)
class _Gathered:
    """What was read for a package."""

    dates: Dates
    entries: list[Entry]
    files: dict[str, str]  # visit -> picture, as a path within the package
    found: list[tables.Deployment]
    undated: int


def export_camtrap(
    state_folder: Path,
    out_folder: Path,
    policy: Policy,
    now: datetime,
    by: By,
    *,
    decimals: int = 2,
    period: Period = ALL,
    disk: FileCalls | None = None,
) -> Exported:
    """Write a Camtrap DP 1.0.2 package into `out_folder`, which must be empty or not there.

    The position is rounded to `decimals` of a degree, 0 to 6 (2: about a kilometre). Hidden visits are left
    out, and visits while the clock was not set, as the standard asks for times. All visits of the period
    are held in memory. Raises ConfigError when the policy has no position, StoreError when there is
    nothing to export or a folder can't be used.
    """
    where = tables.spot(policy.place, decimals)
    if where is None or not 0 <= decimals <= _MOST_DECIMALS:
        raise ConfigError(
            "the standard asks for a position, rounded to 0 to 6 decimals of a degree",
            "give place.latitude and place.longitude in the policy, and choose such a rounding",
        )
    target = _Target(out_folder, disk or FileCalls())
    target.must_be_empty()
    got = _gather(state_folder, target, policy, now, by, period)
    for table, rows in _rows(got, policy, where, by).items():
        target.write(f"{table}.csv", _csv(camtrap.names(table), rows))
    taxa = tables.taxa_of(got.entries)
    scope = Scope(policy.place.name, where, got.dates.first, got.dates.last, taxa, now, by.owner)
    # Last: a package whose description is there is whole.
    target.write("datapackage.json", json.dumps(package(scope), indent=2, ensure_ascii=False).encode())
    return Exported(len(got.entries), len(got.files), len(got.found), got.undated)


def _gather(
    state_folder: Path, target: _Target, policy: Policy, now: datetime, by: By, period: Period
) -> _Gathered:
    """Read the period's visits and copy their pictures."""
    with (
        closing(AnnotationDatabase(state_folder)) as database,
        closing(Reader(state_folder, database.said())) as reader,
    ):
        dates = _dates(reader, policy, period)
        entries = [entry for entry in _entries(reader, policy, dates) if not entry.said.hide]
        spans = _spans(dates, policy, database, reader.watched_until(now))
        if not spans:
            raise StoreError(
                "the box did not watch in that time, so there is nothing to export",
                "choose other dates with --from and --to",
            )
        paths = {entry.id: _put_picture(reader, target, entry, policy) for entry in entries}
        files = {visit: path for visit, path in paths.items() if path is not None}
        undated = sum(1 for _ in reader.undated())
    return _Gathered(dates, entries, files, tables.deployments(spans, by.box), undated)


def _rows(got: _Gathered, policy: Policy, where: tables.Spot, by: By) -> dict[str, list[tables.Row]]:
    homes = {entry.id: tables.within(got.found, entry.start).id for entry in got.entries}
    return {
        "deployments": [tables.deployment_row(each, policy.place, where, by.box) for each in got.found],
        "media": [
            tables.media_row(entry, homes[entry.id], got.files[entry.id])
            for entry in got.entries
            if entry.id in got.files
        ],
        "observations": [tables.observation_row(entry, homes[entry.id], by.model) for entry in got.entries],
    }


def export_visits(
    state_folder: Path,
    out_file: Path,
    policy: Policy,
    *,
    period: Period = ALL,
    disk: FileCalls | None = None,
) -> Exported:
    """Write a plain table of visits, hidden ones left out, and beside it a Table Schema of its columns."""
    with (
        closing(AnnotationDatabase(state_folder)) as database,
        closing(Reader(state_folder, database.said())) as reader,
    ):
        dates = _dates(reader, policy, period)
        entries = [entry for entry in _entries(reader, policy, dates) if not entry.said.hide]
        undated = [] if period != ALL else [entry for entry in reader.undated() if not entry.said.hide]
    names = [field["name"] for field in tables.VISIT_FIELDS]
    rows = [tables.visit_row(entry) for entry in [*entries, *undated]]
    target = _Target(out_file.parent, disk or FileCalls())
    target.write(out_file.name, _csv(names, rows))
    described = {"fields": list(tables.VISIT_FIELDS), "missingValues": [""], "primaryKey": "visit"}
    target.write(f"{out_file.stem}.schema.json", json.dumps(described, indent=2).encode())
    return Exported(len(rows), 0, 0, len(undated))


@dataclass(frozen=True, slots=True)
class _Target:
    folder: Path
    disk: FileCalls

    def must_be_empty(self) -> None:
        remedy = "name a folder that is empty or not there yet"
        try:
            if self.folder.exists() and not self.folder.is_dir():
                raise ConfigError(f"{self.folder} is a file, and a package takes a folder", remedy)
            if self.folder.exists() and any(self.folder.iterdir()):
                raise ConfigError(f"{self.folder} is not empty", remedy)
        except OSError as error:
            raise StoreError(f"{self.folder} cannot be read: {error.strerror or error}", remedy) from error

    def write(self, path: str, data: bytes) -> None:
        target = self.folder / path
        try:
            make_folders(target.parent, self.disk)
            write_file(target, data, self.disk)
        except OSError as error:
            raise StoreError(
                f"the export to {self.folder} failed: {error.strerror or error}",
                "see that this user may write there and that the disk is not full",
            ) from error


def _dates(reader: Reader, policy: Policy, period: Period) -> Dates:
    """The dates of `period`, but none before the first visit: nobody knows whether the box was there."""
    zone = policy.place.zone
    days = {day for entry in reader.scan() if (day := entry.day(zone)) is not None}
    if not days:
        raise StoreError("there is no visit with a known time to export", "wait until somebody comes")
    return Dates(max(min(days), period.first or min(days)), period.last or max(days))


def _entries(reader: Reader, policy: Policy, dates: Dates) -> Iterable[Entry]:
    zone = policy.place.zone
    return reader.between(day_span(zone, dates.first)[0], day_span(zone, dates.last)[1])


def _spans(dates: Dates, policy: Policy, database: AnnotationDatabase, until: datetime) -> list[Span]:
    """When the box watched on these dates, as far as `until`."""
    found: list[Span] = []
    day = dates.first
    while day <= dates.last:
        start, end = day_span(policy.place.zone, day)
        if start < until:
            off = database.off_times(start, end)
            found += watched_on(day, off, policy, min(end, until))
        day += _DAY
    return joined(without(found, ()))


def _put_picture(reader: Reader, target: _Target, entry: Entry, policy: Policy) -> str | None:
    """Copy the best picture into the package; None where there is none that can be opened."""
    if entry.picture is None:
        return None
    jpeg = pictures.read(reader.pictures / entry.picture)
    who = "nobody" if entry.said.nobody else title_of(entry.visitor)
    caption = f"{spoken(entry.visitor)} at {policy.place.name}"
    full = None if jpeg is None else pictures.large(jpeg, caption, [who])
    if full is None:
        return None
    path = f"{MEDIA}/{entry.id}.jpg"
    target.write(path, full)
    return path


def _csv(names: Sequence[str], rows: Iterable[dict[str, Any]]) -> bytes:
    """RFC 4180 with a header line; empty for what is not known."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, names, restval="", extrasaction="raise", lineterminator="\r\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: tables.harmless(value) for name, value in row.items()})
    return out.getvalue().encode()
