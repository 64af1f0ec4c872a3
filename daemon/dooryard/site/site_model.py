"""What this place teaches while nobody is there, and what a look weighs by it. Pure.

`classify.memory` keeps looks at nobody and says how strange a new one is. Here is decided which looks it
may learn from, since what it learns again and again it will call nobody from then on:

samples     a look every half minute at a part of the view where nothing was let through for a while,
            where the gate sees what it saw when empty, and with no visit open; not learned when the
            network is very sure of somebody, who may have sat there since before the gate knew the view
nothings    of a visit that came to nothing, the one look that was least like somebody: one, since a visitor
            poorly seen must not teach that it is nobody
marks       of a visit that the owner called "nobody" (see `teaching`)

The gate learns here too, by the network's verdicts.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace

from dooryard import gate
from dooryard.core.records import Box, NegativeSample, Sighting
from dooryard.gate import GateSettings, GateState
from dooryard.site import memory
from dooryard.site.memory import COLUMNS, ROWS, SiteMemory
from dooryard.tracking.track import VisitSettings

PLACE, MARKS = "place", "place_marks"  # names of what is stored
QUIET_S = 60.0  # nothing was let through there for so long
MOST_SURE = 0.9  # a sample at which the network is surer of somebody teaches nothing: few visitors are less
SIZES = (0.12, 0.2, 0.3)  # of a sample's box, in picture widths: as birds and squirrels are
_LET_THROUGH = 32
_MARKS_LEFT = 64


@dataclass(frozen=True, slots=True, eq=False)
class SiteModel:
    """What is known of the place as the network sees it."""

    memory: SiteMemory
    model: str  # the digest of the network whose features they are
    samples: int = 0  # how many were taken: which part of the view comes next
    next_s: float = -math.inf  # monotonic time from which the next may be taken
    let_through: tuple[tuple[Box, float], ...] = ()  # where something was let through, and when (monotonic)
    marks_seen: int = 0  # the number of the newest mark that was looked at
    marks_left: tuple[int, ...] = ()  # earlier ones that were overruled: should they come to stand again


def noted(place: SiteModel, boxes: Iterable[Box], now_s: float) -> SiteModel:
    """Take down where the gate let something through just now."""
    return replace(place, let_through=(*place.let_through, *((box, now_s) for box in boxes))[-_LET_THROUGH:])


def background_sample(
    place: SiteModel, view: GateState, settings: GateSettings, now_s: float, every_s: float
) -> tuple[SiteModel, Box | None]:
    """Return where to sample the background, if it is time, and that place is quiet and empty to the gate.

    To be asked while no visit is open. The next is `every_s` later; sooner where this place would not do.
    """
    if every_s == math.inf or now_s < place.next_s:
        return place, None
    box = _where(place, view.luma_shape)
    let_through = any(box.overlap(other) > 0 and now_s - at_s < QUIET_S for other, at_s in place.let_through)
    suits = not let_through and bool(gate.changed_back(view, box, settings))
    wait_s = every_s if suits else every_s / 6
    put_off = replace(place, samples=place.samples + 1, next_s=now_s + wait_s)
    return put_off, box if suits else None


def _where(place: SiteModel, shape: tuple[int, int]) -> Box:
    """By turns where something was let through earlier, as the network will be asked there, and all round."""
    number = place.samples
    if not place.let_through:
        return sample_box(number, shape)
    if number % 2 == 0:
        return place.let_through[number // 2 % len(place.let_through)][0]
    return sample_box(number // 2, shape)


def sample_box(number: int, shape: tuple[int, int]) -> Box:
    """The box, square in pixels, of turn `number` round the parts of the view.

    `shape` (height, width) of the luma. It is each time elsewhere in the part: at the low-discrepancy
    sequence of Roberts 2018 ("The unreasonable effectiveness of quasirandom sequences"), whose steps are
    1/g and 1/g**2 with g = 1.32471...
    """
    part, turn = number % (ROWS * COLUMNS), number // (ROWS * COLUMNS)
    row, column = divmod(part, COLUMNS)
    size = SIZES[(turn + part) % len(SIZES)]
    width, height = size, min(1.0, size * shape[1] / shape[0])
    x = (column + (0.5 + turn * 0.7548776662466927) % 1.0) / COLUMNS
    y = (row + (0.5 + turn * 0.5698402909980532) % 1.0) / ROWS
    left = min(max(x - width / 2, 0.0), 1.0 - width)
    top = min(max(y - height / 2, 0.0), 1.0 - height)
    return Box(left, top, left + width, top + height)


def sampled(place: SiteModel, sighting: Sighting) -> SiteModel:
    """Learn from a background sample, unless the network is very sure of somebody."""
    if sighting.features is None or sighting.somebody > MOST_SURE:
        return place
    return learned(place, [NegativeSample(sighting.box, sighting.features)])


def learned(place: SiteModel, looks: Iterable[NegativeSample]) -> SiteModel:
    """Learn looks at nobody."""
    known = place.memory
    for look in looks:
        known = memory.learn(known, look.box, look.features, look.mark)
    return replace(place, memory=known)


def corrected(place: SiteModel, marks: Collection[int]) -> SiteModel:
    """Forget what was learned by `marks` that were taken back or overruled."""
    known = memory.forget(place.memory, marks)
    if known is place.memory:
        return place
    gone = set(place.memory.mark.tolist()) - set(known.mark.tolist())
    return replace(place, memory=known, marks_left=(*place.marks_left, *sorted(gone))[-_MARKS_LEFT:])


def looked_at(place: SiteModel, mark: int, *, stands: bool) -> SiteModel:
    """Take down that `mark` was looked at, and whether it stands."""
    left = tuple(number for number in place.marks_left if number != mark)
    if not stands:
        left = (*left, mark)[-_MARKS_LEFT:]
    return replace(place, marks_seen=max(place.marks_seen, mark), marks_left=left)


def posterior(place: SiteModel, sightings: Sequence[Sighting]) -> tuple[Sighting, ...]:
    """`sightings` with the evidence of how strange each one is here."""
    return tuple(_posterior(place.memory, sighting) for sighting in sightings)


def _posterior(known: SiteMemory, sighting: Sighting) -> Sighting:
    if sighting.features is None:
        return sighting
    evidence = memory.ratio(memory.novelty(known, sighting.features))
    return replace(sighting, groups=memory.posterior(sighting.groups, evidence))


def gate_taught(
    view: GateState,
    looks: Iterable[tuple[Box, Sighting]],
    occupied: Sequence[Box],
    now_s: float,
    settings: GateSettings,
    visits: VisitSettings,
) -> GateState:
    """The gate, taught by what the classifier saw in each box; a doubtful look teaches nothing."""
    for box, sighting in looks:
        if not sighting.classified:
            continue
        somebody = sighting.somebody >= visits.open_at
        nobody = sighting.somebody < visits.empty_below
        stands_there = any(box.overlap(other) > 0 for other in occupied)
        if somebody or (nobody and not stands_there):
            view = gate.learn(view, box, somebody, now_s, settings)
    return view


def place_for(model: str, feature_count: int) -> SiteModel | None:
    """A place of which nothing is known yet; None: the network has no features to know it by."""
    return SiteModel(memory.blank(feature_count), model) if feature_count else None


def saved(place: SiteModel) -> dict[str, bytes]:
    """What a restart needs, by name; to be stored together."""
    return {
        PLACE: memory.save(place.memory, place.model),
        MARKS: " ".join(map(str, (place.marks_seen, *place.marks_left))).encode(),
    }


def restored(fresh: SiteModel, saved: bytes, marks: bytes | None) -> SiteModel | None:
    """`fresh` with what `saved` gave. None: it is damaged, or was learned with another network."""
    known = memory.load(saved, fresh.model, fresh.memory.vectors.shape[1])
    if known is None:
        return None
    numbers = marks.decode("ascii", "replace").split() if marks else []
    seen, *left = [int(number) for number in numbers if number.isdecimal()] or [0]
    return replace(fresh, memory=known, marks_seen=seen, marks_left=tuple(left))
