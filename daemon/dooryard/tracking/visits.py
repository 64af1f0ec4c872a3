"""Visits: sightings over time become an arrival, a stay and a departure. Pure.

A visit is opened by a sighting that is likely somebody, joined by later sightings nearby, settled
once it has been seen often enough to say who it is, and ended when nobody was seen for a while.
One that turns out to be nobody is dropped and counted, and the gate is told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from dooryard.core.ids import id_for
from dooryard.core.records import Box, Moment, NegativeSample, Sighting, Visit
from dooryard.tracking.regions import near
from dooryard.tracking.track import (
    Track,
    VisitSettings,
    as_one,
    found_empty,
    goes_on,
    is_settled,
    joined_by,
    opened,
    was_somebody,
    widened,
)

__all__ = ["Changes", "VisitSettings", "VisitsState", "advance", "finish", "lasting"]


_MOST_OF_A_FRAME = 64  # visits that one frame can open; far more than are ever open


@dataclass(frozen=True, slots=True, eq=False)
class VisitsState:
    """The open visits, and what the next id is made of."""

    salt: bytes  # live: random at each start of the program, so that ids never repeat
    counter: int = 0
    repeats: bool = False  # of a recording: ids follow from its times, so that reading it again repeats them
    tracks: tuple[Track, ...] = ()
    departed: tuple[Visit, ...] = ()  # established visits that ended a moment ago, without their pictures

    @property
    def occupied(self) -> tuple[Box, ...]:
        """Where somebody is, for the gate.

        What no classifier has seen does not count: the gate has to get used to a branch that moved for good.
        """
        return tuple(track.visit.box for track in self.tracks if not track.unnamed)


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """What an advance brought about."""

    settled: tuple[Visit, ...] = ()  # seen well enough to decide on, and seen again just now
    ended: tuple[Visit, ...] = ()
    nobody: tuple[Visit, ...] = ()  # opened, and came to nothing
    empty: tuple[NegativeSample, ...] = ()  # of each of `nobody` the look least like somebody
    merged: tuple[Visit, ...] = ()  # turned out to be the same visitor as an older visit, and went into it


@dataclass(slots=True)
class _Work:
    """Scratch of one advance."""

    tracks: list[Track]
    counter: int
    opened: int = 0
    seen: set[str] = field(default_factory=set)


def advance(
    state: VisitsState, sightings: Sequence[Sighting], now: Moment, settings: VisitSettings
) -> tuple[VisitsState, Changes]:
    """Take in the sightings of one frame (there may be none) and let time pass."""
    work = _Work(list(state.tracks), state.counter)
    for sighting in sightings:
        _take_in(work, sighting, state, settings)
    tracks, merged = _merged(work.tracks, settings)
    stay, ended, nobody, empty = _parted(tracks, now, settings)
    established = _established(state.departed, tracks, settings)
    fragments = tuple(visit for visit in ended if _is_fragment(visit, established, settings))
    ended = tuple(visit for visit in ended if visit not in fragments)
    settled = tuple(
        track.visit
        for track in stay
        if track.visit.id in work.seen
        and is_settled(track, settings)
        and not _is_fragment(track.visit, established, settings)  # it may yet prove to be a piece
    )
    new = replace(
        state,
        counter=work.counter,
        tracks=tuple(stay),
        departed=_lately(state.departed, ended, now, settings),
    )
    merged = (*merged, *fragments)
    return new, Changes(settled=settled, ended=ended, nobody=nobody, empty=empty, merged=merged)


def _take_in(work: _Work, sighting: Sighting, state: VisitsState, settings: VisitSettings) -> None:
    """Put `sighting` down to an open visit, or open one for it."""
    tracks, at = work.tracks, _nearest(work.tracks, sighting, settings)
    if at is not None and not goes_on(tracks[at], sighting, settings):
        tracks[at] = found_empty(tracks[at], sighting, settings)
    elif at is not None and tracks[at].visit.id in work.seen:
        tracks[at] = widened(tracks[at], sighting)  # two pieces of one frame are one look
    elif at is not None:
        tracks[at] = joined_by(tracks[at], sighting, settings)
        work.seen.add(tracks[at].visit.id)
    elif sighting.somebody >= settings.open_at and len(tracks) < settings.most_open:
        work.counter += 1
        work.opened += 1
        number = _number_at(sighting.wall, work.opened) if state.repeats else work.counter
        tracks.append(opened(id_for(state.salt, number, sighting.wall), sighting, settings))
        work.seen.add(tracks[-1].visit.id)


def _number_at(wall: datetime, opened: int) -> int:
    """A number for the visit that is the `opened`-th of its frame, the same whenever that frame is read."""
    since = wall - datetime(1970, 1, 1, tzinfo=UTC)
    return max(0, since // timedelta(microseconds=1)) * _MOST_OF_A_FRAME + opened % _MOST_OF_A_FRAME


def finish(state: VisitsState, now: Moment, settings: VisitSettings) -> tuple[VisitsState, Changes]:
    """End every open visit: the camera rests or the program stops."""
    far = replace(settings, gone_after_s=-math.inf)
    established = _established(state.departed, state.tracks, settings)
    _stay, ended, nobody, empty = _parted(list(state.tracks), now, far)
    fragments = tuple(visit for visit in ended if _is_fragment(visit, established, settings))
    ended = tuple(visit for visit in ended if visit not in fragments)
    new = replace(state, tracks=(), departed=())
    return new, Changes(ended=ended, nobody=nobody, empty=empty, merged=fragments)


def lasting(state: VisitsState, settings: VisitSettings) -> tuple[Visit, ...]:
    """The visits that have settled and last; not what may yet prove to be a piece of one beside it."""
    established = _established(state.departed, state.tracks, settings)
    return tuple(
        track.visit
        for track in state.tracks
        if is_settled(track, settings) and not _is_fragment(track.visit, established, settings)
    )


def _established(departed: Sequence[Visit], tracks: Sequence[Track], settings: VisitSettings) -> list[Visit]:
    """Visits that a fragment may be a piece of."""
    return [*departed, *(track.visit for track in tracks if is_settled(track, settings))]


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


def _merged(tracks: Sequence[Track], settings: VisitSettings) -> tuple[list[Track], tuple[Visit, ...]]:
    """Make one visit of two in the same place with the same sort of visitor; the older goes on."""
    apart: list[Track] = []
    merged: list[Visit] = []
    for track in tracks:  # oldest first
        for at, older in enumerate(apart):
            same = older.visit.visitor.group == track.visit.visitor.group
            if same and older.visit.box.overlap(track.visit.box) > 0:
                apart[at] = as_one(older, track, settings)
                merged.append(replace(track.visit, end=track.visit.last_seen))
                break
        else:
            apart.append(track)
    return apart, tuple(merged)


def _is_fragment(visit: Visit, established: Sequence[Visit], settings: VisitSettings) -> bool:
    """Whether a visit is a piece of one beside it: a tail that leaves last, a blurred wing.

    It was hardly seen, and began beside an established visit while that lasted or just after.
    """
    if visit.stay_s >= settings.fragment_s and visit.sightings > settings.settle_sightings:
        return False
    return any(
        other.id != visit.id
        and other.start.mono_s - settings.fragment_s <= visit.start.mono_s
        and visit.start.mono_s <= other.last_seen.mono_s + settings.fragment_s
        and near(other.box, visit.box, settings.reach)
        for other in established
    )


def _lately(
    departed: Sequence[Visit], ended: Sequence[Visit], now: Moment, settings: VisitSettings
) -> tuple[Visit, ...]:
    """Established visits that a fragment may yet prove to be a piece of; pictures are let go."""
    since_s = now.mono_s - 2 * settings.gone_after_s - 2 * settings.fragment_s
    fresh = [replace(visit, best=None) for visit in ended if visit.stay_s >= settings.fragment_s]
    return tuple(visit for visit in (*departed, *fresh) if visit.last_seen.mono_s >= since_s)[-8:]


def _parted(
    tracks: Sequence[Track], now: Moment, settings: VisitSettings
) -> tuple[list[Track], tuple[Visit, ...], tuple[Visit, ...], tuple[NegativeSample, ...]]:
    """Split into those that stay, visits that ended, and those that came to nothing, with what they teach."""
    stay: list[Track] = []
    ended: list[Visit] = []
    nobody: list[Visit] = []
    empty: list[NegativeSample] = []
    for track in tracks:
        if now.mono_s - track.visit.last_seen.mono_s <= settings.gone_after_s:
            stay.append(track)
            continue
        over = replace(track.visit, end=track.visit.last_seen)
        if was_somebody(track, settings):
            ended.append(over)
            continue
        nobody.append(over)
        if track.emptiest is not None:
            empty.append(track.emptiest[1])
    return stay, tuple(ended), tuple(nobody), tuple(empty)
