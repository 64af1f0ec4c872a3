"""Visits: sightings over time become an arrival, a stay and a departure. Pure.

A visit is opened by a sighting that is likely somebody, joined by later sightings nearby, settled
once it has been seen often enough to say who it is, and ended when nobody was seen for a while.
One that turns out to be nobody is dropped and counted, and the gate is told.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from dooryard.ids import id_for
from dooryard.looks import near
from dooryard.records import Box, Moment, Naming, Sighting, Visit, Visitor


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
    single_sure: float = 0.8  # a visit seen only once counts from this probability on
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


@dataclass(frozen=True, slots=True, eq=False)
class VisitsState:
    """The open visits, and what the next id is made of."""

    salt: bytes  # random at each start of the program, so that ids never repeat
    counter: int = 0
    tracks: tuple[Track, ...] = ()

    @property
    def occupied(self) -> tuple[Box, ...]:
        """Where somebody is, for the gate."""
        return tuple(track.visit.box for track in self.tracks)


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """What an advance brought about."""

    settled: tuple[Visit, ...] = ()  # seen well enough to decide on, and seen again just now
    ended: tuple[Visit, ...] = ()
    nobody: tuple[Visit, ...] = ()  # opened, and came to nothing
    merged: tuple[Visit, ...] = ()  # turned out to be the same visitor as an older visit, and went into it


@dataclass(slots=True)
class _Work:
    """Scratch of one advance."""

    tracks: list[Track]
    seen: set[str] = field(default_factory=set)


def advance(
    state: VisitsState, sightings: Sequence[Sighting], now: Moment, settings: VisitSettings
) -> tuple[VisitsState, Changes]:
    """Take in the sightings of one frame (there may be none) and let time pass."""
    work = _Work(list(state.tracks))
    counter = state.counter
    for sighting in sightings:
        at = _nearest(work.tracks, sighting, settings)
        if at is not None and sighting.somebody < settings.empty_below:
            work.tracks[at] = _found_empty(work.tracks[at], settings)
        elif at is not None and work.tracks[at].visit.id in work.seen:
            work.tracks[at] = _widened(work.tracks[at], sighting)  # two pieces of one frame are one look
        elif at is not None:
            work.tracks[at] = _joined(work.tracks[at], sighting, settings)
            work.seen.add(work.tracks[at].visit.id)
        elif sighting.somebody >= settings.open_at and len(work.tracks) < settings.most_open:
            counter += 1
            work.tracks.append(_opened(id_for(state.salt, counter, sighting.wall), sighting, settings))
            work.seen.add(work.tracks[-1].visit.id)
    tracks, merged = _merged(work.tracks, settings)
    stay, ended, nobody = _parted(tracks, now, settings)
    settled = tuple(
        track.visit for track in stay if track.visit.id in work.seen and _is_settled(track, settings)
    )
    new = VisitsState(salt=state.salt, counter=counter, tracks=tuple(stay))
    return new, Changes(settled=settled, ended=ended, nobody=nobody, merged=merged)


def finish(state: VisitsState, now: Moment, settings: VisitSettings) -> tuple[VisitsState, Changes]:
    """End every open visit: the camera rests or the program stops."""
    far = replace(settings, gone_after_s=-math.inf)
    _stay, ended, nobody = _parted(list(state.tracks), now, far)
    return VisitsState(salt=state.salt, counter=state.counter), Changes(ended=ended, nobody=nobody)


def _nearest(tracks: Sequence[Track], sighting: Sighting, settings: VisitSettings) -> int | None:
    """Index of the open visit that `sighting` continues, or None."""
    best, best_distance = None, math.inf
    for i, track in enumerate(tracks):
        distance = math.dist(track.visit.box.centre, sighting.box.centre)
        reachable = distance <= settings.reach or near(track.visit.box, sighting.box)
        if reachable and distance < best_distance and _could_be_same(track, sighting):
            best, best_distance = i, distance
    return best


def _could_be_same(track: Track, sighting: Sighting) -> bool:
    """False only when both are clear about the group and disagree."""
    if not sighting.groups:
        return True
    group, probability = max(sighting.groups.items(), key=lambda item: item[1])
    return probability < 0.5 or track.visit.visitor.sure < 0.5 or group == track.visit.visitor.group


def _opened(visit_id: str, sighting: Sighting, settings: VisitSettings) -> Track:
    start = Moment(sighting.wall, sighting.mono_s)
    nobody_yet = Visitor(group="animal", sure=0.0)
    empty = Visit(visit_id, start, start, nobody_yet, 0, sighting.box, None, -math.inf)
    return _joined(Track(empty, {}, {}, {}), sighting, settings)


def _joined(track: Track, sighting: Sighting, settings: VisitSettings) -> Track:
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
    return replace(grown, visit=replace(counted, visitor=_who(grown, settings)))


def _widened(track: Track, sighting: Sighting) -> Track:
    return replace(track, visit=replace(track.visit, box=track.visit.box.joined(sighting.box)))


def _merged(tracks: Sequence[Track], settings: VisitSettings) -> tuple[list[Track], tuple[Visit, ...]]:
    """Make one visit of two in the same place with the same sort of visitor; the older goes on."""
    apart: list[Track] = []
    merged: list[Visit] = []
    for track in tracks:  # oldest first
        for at, older in enumerate(apart):
            same = older.visit.visitor.group == track.visit.visitor.group
            if same and older.visit.box.overlap(track.visit.box) > 0:
                apart[at] = _as_one(older, track, settings)
                merged.append(replace(track.visit, end=track.visit.last_seen))
                break
        else:
            apart.append(track)
    return apart, tuple(merged)


def _as_one(older: Track, younger: Track, settings: VisitSettings) -> Track:
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
    return replace(one, visit=replace(visit, visitor=_who(one, settings)))


def _found_empty(track: Track, settings: VisitSettings) -> Track:
    """A look that shows nobody speaks against a visit that is young; an old one has just departed."""
    if _is_settled(track, settings):
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


def _who(track: Track, settings: VisitSettings) -> Visitor:
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


def _is_settled(track: Track, settings: VisitSettings) -> bool:
    visit = track.visit
    return (
        visit.sightings >= settings.settle_sightings
        and visit.stay_s >= settings.settle_s
        and track.somebody >= settings.open_at
    )


def _was_somebody(track: Track, settings: VisitSettings) -> bool:
    if track.visit.sightings < 2:
        return track.somebody >= settings.single_sure
    return track.somebody >= settings.open_at


def _parted(
    tracks: Sequence[Track], now: Moment, settings: VisitSettings
) -> tuple[list[Track], tuple[Visit, ...], tuple[Visit, ...]]:
    """Split into those that stay, visits that ended, and those that came to nothing."""
    stay: list[Track] = []
    ended: list[Visit] = []
    nobody: list[Visit] = []
    for track in tracks:
        if now.mono_s - track.visit.last_seen.mono_s <= settings.gone_after_s:
            stay.append(track)
            continue
        over = replace(track.visit, end=track.visit.last_seen)
        (ended if _was_somebody(track, settings) else nobody).append(over)
    return stay, tuple(ended), tuple(nobody)
