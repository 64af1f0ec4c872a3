"""The evidence of one visit while it lasts: what its looks add up to, and who that is. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from dooryard.records import Moment, Naming, Sighting, Visit, Visitor


@dataclass(frozen=True, slots=True)
class VisitSettings:
    """When a visit opens, settles and ends."""

    open_at: float = 0.35  # probability of somebody that opens a visit
    settle_s: float = 1.5  # seen over at least this long ...
    settle_sightings: int = 3  # ... and at least this often, before anything is said of it
    gone_after_s: float = 6.0  # unseen this long: departed
    reach: float = 0.2  # how far a visitor moves between two looks, in picture widths
    species_sure: float = 0.9  # mean probability from which a species is named rather than its group
    empty_below: float = 0.15  # a look with less than this shows that nobody is there (any more)
    stays_at: float = 0.2  # a settled visit goes on with a look that gives its group at least this much
    single_sure: float = 0.8  # a visit seen only once counts from this probability on
    scrap_s: float = 2.0  # so short a stay beside an established visit, or so soon after, is part of it
    look_worth: float = 0.25  # how much of an independent look each further one is worth
    most_open: int = 4  # each open visit holds one large picture in memory


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """A visit that lasts, with the evidence so far (sums over its sightings)."""

    visit: Visit
    groups: Mapping[str, float]
    species: Mapping[str, float]
    names: Mapping[str, Naming]
    empty_looks: int = 0  # looks that showed nobody there, before the visit was settled

    @property
    def somebody(self) -> float:
        """Mean probability that there was somebody, over all looks."""
        return sum(self.groups.values()) / (self.visit.sightings + self.empty_looks)


def opened(visit_id: str, sighting: Sighting, settings: VisitSettings) -> Track:
    start = Moment(sighting.wall, sighting.mono_s)
    nobody_yet = Visitor(group="animal", sure=0.0)
    empty = Visit(visit_id, start, start, nobody_yet, 0, sighting.box, None, -math.inf)
    return joined_by(Track(empty, {}, {}, {}), sighting, settings)


def joined_by(track: Track, sighting: Sighting, settings: VisitSettings) -> Track:
    """`track` with one more sighting in its sums, its place and its best picture."""
    species = {naming.species: naming.probability for naming in sighting.species if naming.species}
    names = {naming.species: naming for naming in sighting.species if naming.species}
    grown = replace(
        track,
        groups=_added(track.groups, sighting.groups),
        species=_added(track.species, species),
        names={**track.names, **names},
    )
    visit, score = track.visit, _picture_score(sighting)
    better = score > visit.best_score
    counted = replace(
        visit,
        sightings=visit.sightings + 1,
        last_seen=Moment(sighting.wall, sighting.mono_s),
        box=sighting.box if sighting.somebody >= settings.open_at else visit.box,
        best=sighting.picture if better else visit.best,
        best_score=score if better else visit.best_score,
    )
    grown = replace(grown, visit=counted)
    return replace(grown, visit=replace(counted, visitor=who(grown, settings)))


def widened(track: Track, sighting: Sighting) -> Track:
    return replace(track, visit=replace(track.visit, box=track.visit.box.joined(sighting.box)))


def as_one(older: Track, younger: Track, settings: VisitSettings) -> Track:
    first, second = older.visit, younger.visit
    latest = max(first, second, key=lambda visit: visit.last_seen.mono_s)
    best = max(first, second, key=lambda visit: visit.best_score)
    visit = replace(
        first,
        last_seen=latest.last_seen,
        box=latest.box,
        sightings=first.sightings + second.sightings,
        best=best.best,
        best_score=best.best_score,
    )
    one = Track(
        visit=visit,
        groups=_added(older.groups, younger.groups),
        species=_added(older.species, younger.species),
        names={**older.names, **younger.names},
        empty_looks=older.empty_looks + younger.empty_looks,
    )
    return replace(one, visit=replace(visit, visitor=who(one, settings)))


def found_empty(track: Track, settings: VisitSettings) -> Track:
    """A look that shows nobody speaks against a visit that is young; an old one has just departed."""
    if is_settled(track, settings):
        return track
    return replace(track, empty_looks=track.empty_looks + 1)


def _added(sums: Mapping[str, float], more: Mapping[str, float]) -> dict[str, float]:
    return {key: sums.get(key, 0.0) + more.get(key, 0.0) for key in {**sums, **more}}


def _picture_score(sighting: Sighting) -> float:
    """Higher is a better picture: somebody in it, large, sharp (logs, so that none swamps the others)."""
    return (
        2.0 * sighting.somebody
        + 0.5 * math.log(max(sighting.box.area, 1e-6))
        + 0.25 * math.log(max(sighting.sharpness, 1e-6))
    )


def who(track: Track, settings: VisitSettings) -> Visitor:
    """The group with the most evidence, and a species where it is earned."""
    n = track.visit.sightings
    total = sum(track.groups.values())
    if total <= 0:
        return Visitor(group="animal", sure=0.0)
    group, mass = max(track.groups.items(), key=lambda item: item[1])
    for species, chance in sorted(track.species.items(), key=lambda item: -item[1])[:1]:
        naming = track.names[species]
        if naming.group == group and chance / n >= settings.species_sure:
            return Visitor(group, chance / n, species, naming.scientific)
    return Visitor(group, mass / total * joint(min(1.0, total / n), n, settings.look_worth))


def joint(mean: float, looks: int, look_worth: float) -> float:
    """Probability of somebody from `looks` looks with the mean probability `mean`.

    Were the looks independent, all would have to be wrong together: 1 - (1 - mean)^looks. They are not
    (the same animal in the same light), so each after the first counts as `look_worth` of a look, and all
    together as no more than four. The exponent is a choice, not a measurement.
    """
    effective = min(4.0, 1.0 + (looks - 1) * look_worth)
    return 1.0 - math.pow(1.0 - mean, effective)


def goes_on(track: Track, sighting: Sighting, settings: VisitSettings) -> bool:
    """Whether `sighting` shows that the visitor is still there; a settled visit asks for its own group."""
    if is_settled(track, settings):
        return sighting.groups.get(track.visit.visitor.group, 0.0) >= settings.stays_at
    return sighting.somebody >= settings.empty_below


def is_settled(track: Track, settings: VisitSettings) -> bool:
    visit = track.visit
    return (
        visit.sightings >= settings.settle_sightings
        and visit.stay_s >= settings.settle_s
        and track.somebody >= settings.open_at
    )


def was_somebody(track: Track, settings: VisitSettings) -> bool:
    if track.visit.sightings < 2:
        return track.somebody >= settings.single_sure
    return track.somebody >= settings.open_at
