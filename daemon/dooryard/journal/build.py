"""START HERE. From the store to a folder of pages, in which only what changed is made again.

One pass over the visits finds days and visitors, and a fingerprint of what each page is made of; pages
whose fingerprint stands in the folder's manifest are left alone. Pictures come first, then the pages that
show them, then what no page shows any longer goes, and the manifest last. So whatever a reader opens at
any moment is whole and leads to what is there; and after a power cut the next build finds what was not
done.

Memory grows with days and kinds of visitor, not with visits: at most one day's visits are held at a time.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

from dooryard.core.atomic_files import FileCalls
from dooryard.journal import paths, pictures, render
from dooryard.journal.effort import effort
from dooryard.journal.files import Manifest, SiteFolder, held
from dooryard.journal.page_source import PageSource, opened
from dooryard.journal.phrases import labels
from dooryard.journal.writing import Writer, write_pages
from dooryard.policy.schema import Policy


@dataclass(slots=True)
class BuildReport:
    """What a build did: paths relative to the journal's folder."""

    pages: list[str] = field(default_factory=list)
    pictures: int = 0
    removed: list[str] = field(default_factory=list)
    visits: int = 0
    unreadable: frozenset[str] = frozenset()  # stored pictures that could not be opened


def build(
    state_folder: Path,
    out_folder: Path,
    policy: Policy,
    now: datetime,
    *,
    box: str = "the box",
    base_url: str | None = None,
    position: tuple[float, float] | None = None,
    disk: FileCalls | None = None,
) -> BuildReport:
    """Bring the journal in `out_folder` up to date with the store in `state_folder`.

    `base_url` is where it will be published: link previews and feed readers need whole addresses.
    `position` (degrees north and east) is written into the large pictures only if given; pictures made
    before stay as they are. Raises `StoreError` when either folder can't be used, `AlreadyRunningError`
    when another process builds in `out_folder`.
    """
    shared = site_of(policy, box, base_url)
    with opened(state_folder, policy, now, shared) as source, held(out_folder, disk) as site:
        manifest = site.load()
        source.reader.passing_over(manifest.unreadable)
        source.look()
        return _build(source, site, manifest, position)


def site_of(policy: Policy, box: str, base_url: str | None) -> render.PageContext:
    """What all pages share."""
    base = None if base_url is None else base_url.rstrip("/") + "/"
    return render.PageContext(policy.place.name, box, policy.place.time_zone, base)


def _build(
    source: PageSource, site: SiteFolder, old: Manifest, position: tuple[float, float] | None
) -> BuildReport:
    built = BuildReport()
    new = Manifest(watched=old.watched, unreadable=old.unreadable)
    dates = source.survey.dates()
    worked = effort(
        dates[0] if dates else None, source.today, source.policy, source.database, new, source.watched_until
    )
    changed = _changed_days(source, site, old)
    wrong = {picture for day in changed for picture in _publish(source, site, day, position, built)}
    if wrong:
        still_there = {path for path in old.unreadable if (source.reader.pictures / path).is_file()}
        new.unreadable = frozenset(still_there | wrong)
        source.reader.passing_over(new.unreadable)
        source.look()
    write_pages(source, Writer(site, old, new, built.pages), worked)
    for path in sorted(old.pages.keys() - new.pages.keys()):
        site.remove(path)
        built.removed.append(path)
    for day in changed:
        _tidy(source, site, day, built)
    _tidy_folders(source, site, built)
    site.save(new)
    built.visits = sum(day.visits for day in source.survey.days.values())
    built.unreadable = new.unreadable
    return built


def _changed_days(source: PageSource, site: SiteFolder, old: Manifest) -> list[date | None]:
    """Dates whose page, and so perhaps whose pictures, are not as they stand in the folder."""
    return [
        day
        for day in source.survey.days
        if old.pages.get(paths.day_page(day)) != source.day_key(day) or not site.has(paths.day_page(day))
    ]


def _publish(
    source: PageSource,
    site: SiteFolder,
    day: date | None,
    position: tuple[float, float] | None,
    built: BuildReport,
) -> list[str]:
    """Write the pictures of a date that aren't there yet; return those that can't be opened."""
    zone, wrong = source.policy.place.zone, []
    have = {
        f"{kind}/{paths.folder_of(day)}/{name}"
        for kind in (paths.SMALL, paths.LARGE)
        for name in site.names(f"{kind}/{paths.folder_of(day)}")
    }
    for entry in source.entries(day):
        small, large = paths.small_picture(entry, zone), paths.large_picture(entry, zone)
        if entry.picture is None or small is None or large is None or {small, large} <= have:
            continue
        jpeg = pictures.read(source.reader.pictures / entry.picture)
        made = None if jpeg is None else pictures.small(jpeg)
        caption, keywords = labels(entry.visitor, source.policy.place.name, nobody=entry.said.nobody)
        full = None if jpeg is None else pictures.large(jpeg, caption, keywords, position)
        if made is None or full is None:
            wrong.append(entry.picture)
            continue
        site.write(small, made)
        # The box stores a picture with its label in it: if it stands, the file needs no room a second time.
        if full != jpeg or not site.link(large, source.reader.pictures / entry.picture):
            site.write(large, full)
        built.pictures += 1
    return wrong


def _tidy(source: PageSource, site: SiteFolder, day: date | None, built: BuildReport) -> None:
    """Remove pictures of a date that its page no longer shows."""
    zone = source.policy.place.zone
    wanted = set[str | None]()
    for entry in source.entries(day):
        wanted |= {paths.small_picture(entry, zone), paths.large_picture(entry, zone)}
    for kind in (paths.SMALL, paths.LARGE):
        folder = f"{kind}/{paths.folder_of(day)}"
        for name in site.names(folder):
            if f"{folder}/{name}" not in wanted and paths.ours(f"{folder}/{name}"):
                site.remove(f"{folder}/{name}")
                built.removed.append(f"{folder}/{name}")


def _tidy_folders(source: PageSource, site: SiteFolder, built: BuildReport) -> None:
    """Remove the pictures of dates that are no more."""
    keep = {paths.folder_of(day) for day in source.survey.days}
    for kind in (paths.SMALL, paths.LARGE):
        for gone in filter(paths.is_date, site.folders(kind) - keep):
            site.remove_folder(f"{kind}/{gone}")
            built.removed.append(f"{kind}/{gone}/")
