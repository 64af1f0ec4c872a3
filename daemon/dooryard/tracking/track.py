"""The evidence of one visit while it lasts: what its looks add up to, and who that is. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from dooryard.core.records import SOMETHING, Moment, NegativeSample, Sighting, Visit, Visitor
from dooryard.tracking import evidence
from dooryard.tracking.evidence import Evidence, EvidenceRules


@dataclass(frozen=True, slots=True)
class VisitSettings:
    """When a visit opens, settles and ends."""

    open_at: float = 0.35  # probability of somebody that opens a visit
    settle_s: float = 1.5  # seen over at least this long ...
    settle_sightings: int = 3  # ... and at least this often, before anything is said of it
    gone_after_s: float = 6.0  # unseen this long: departed
    reach: float = 0.2  # how far a visitor moves between two looks, in picture widths
    empty_below: float = 0.15  # a look with less than this shows that nobody is there (any more)
    stays_at: float = 0.2  # a settled visit goes on with a look that gives its group at least this much
    single_sure: float = 0.8  # a visit seen only once counts from this probability on
    fragment_s: float = 2.0  # so short a stay beside an established visit, or so soon after, is part of it
    rules: EvidenceRules = field(
        default_factory=EvidenceRules
    )  # from which probability something is said at all
    unnamed_s: float = 3.0  # without a classifier: seen for at least this long, else it was nothing
    most_open: int = 4  # each open visit holds one large picture in memory


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """A visit that lasts, with the evidence of its looks so far."""

    visit: Visit
    evidence: Evidence = field(default_factory=Evidence)
    emptiest: tuple[float, NegativeSample] | None = None  # the look least like somebody, and how much it was

    @property
    def unnamed(self) -> bool:
        """Whether no classifier has looked yet: all that is known comes from the gate."""
        return self.evidence.looks == 0

    @property
    def somebody(self) -> float:
        """Probability that there was somebody, from all looks; an even chance before the first."""
        return 0.5 if self.unnamed else evidence.somebody(self.evidence)


def opened(visit_id: str, sighting: Sighting, settings: VisitSettings) -> Track:
    start = Moment(sighting.wall, sighting.mono_s)
    nobody_yet = Visitor(group="animal", sure=0.0)
    empty = Visit(visit_id, start, start, nobody_yet, 0, sighting.box, None, -math.inf)
    return joined_by(Track(empty), sighting, settings)


def joined_by(track: Track, sighting: Sighting, settings: VisitSettings) -> Track:
    """`track` with one more sighting in its sums, its place and its best picture."""
    grown = _with_look(track, sighting)
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


def _with_look(track: Track, sighting: Sighting) -> Track:
    if not sighting.classified:  # the gate's word for motion is no evidence of who it is
        return track
    emptiest, there = track.emptiest, sighting.somebody
    if sighting.features is not None and (emptiest is None or there < emptiest[0]):
        emptiest = there, NegativeSample(sighting.box, sighting.features)
    return replace(track, evidence=evidence.looked(track.evidence, sighting), emptiest=emptiest)


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
    one = Track(visit, evidence.together(older.evidence, younger.evidence), older.emptiest)
    return replace(one, visit=replace(visit, visitor=who(one, settings)))


def found_empty(track: Track, sighting: Sighting, settings: VisitSettings) -> Track:
    """A look that shows nobody speaks against a visit that is young; an old one has just departed."""
    if is_settled(track, settings):
        return track
    return _with_look(track, sighting)


def _picture_score(sighting: Sighting) -> float:
    """Higher is a better picture: somebody in it, large, sharp (logs, so that none swamps the others)."""
    return (
        2.0 * sighting.somebody
        + 0.5 * math.log(max(sighting.box.area, 1e-6))
        + 0.25 * math.log(max(sighting.sharpness, 1e-6))
    )


def who(track: Track, settings: VisitSettings) -> Visitor:
    """Who it is by the evidence; while that says nobody, an animal that is not sure at all."""
    if track.unnamed:
        return Visitor(group=SOMETHING, sure=0.0)
    found = evidence.who(track.evidence, settings.rules)
    return found or Visitor(group="animal", sure=min(0.5, track.somebody))


def goes_on(track: Track, sighting: Sighting, settings: VisitSettings) -> bool:
    """Whether `sighting` shows that the visitor is still there; a settled visit asks for its own group."""
    if not sighting.classified:
        return True
    if is_settled(track, settings) and not track.unnamed:
        return sighting.groups.get(track.visit.visitor.group, 0.0) >= settings.stays_at
    return sighting.somebody >= settings.empty_below


def is_settled(track: Track, settings: VisitSettings) -> bool:
    visit = track.visit
    least_s = max(settings.settle_s, settings.unnamed_s) if track.unnamed else settings.settle_s
    return (
        visit.sightings >= settings.settle_sightings
        and visit.stay_s >= least_s
        and track.somebody >= settings.open_at
    )


def was_somebody(track: Track, settings: VisitSettings) -> bool:
    if track.unnamed:
        return is_settled(track, settings)
    if track.visit.sightings < 2:
        return track.somebody >= settings.single_sure
    return evidence.who(track.evidence, settings.rules) is not None
