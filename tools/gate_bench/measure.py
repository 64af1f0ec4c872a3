"""What is counted: captures of nobody, visits seen, how late; each with its limits."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy import stats

from dooryard.core.records import Box
from gate_bench.clip import Clip, Stay

APART_S = 5.0  # captures of nobody count when at least this far apart
CLEAR_BEFORE_S, CLEAR_AFTER_S = 2.0, 12.0  # time around a visit that counts as neither empty nor visit
LEAST_STAY_S = 5.0
SIZES = ((0, 20), (20, 32), (32, 48), (48, 999))  # longer side in a picture 320 wide

Fired = list[list[Box]]  # per frame: the boxes let through


@dataclass(frozen=True, slots=True)
class Seen:
    """What became of one visit of at least LEAST_STAY_S."""

    longer_px: float
    late_s: float | None  # after it settled; None: never seen


@dataclass(slots=True)
class Count:
    """Sums over clips."""

    false: int = 0
    empty_h: float = 0.0
    visits: list[Seen] = field(default_factory=list)
    said_again: int = 0

    def add(self, other: Count) -> None:
        self.false += other.false
        self.empty_h += other.empty_h
        self.visits += other.visits

    @property
    def false_per_h(self) -> float:
        return self.false / self.empty_h if self.empty_h else float("nan")

    def recall(self, low: float = 20, high: float = 999) -> tuple[int, int]:
        """(seen, all) among visitors with a longer side of low..high px."""
        some = [visit for visit in self.visits if low <= visit.longer_px < high]
        return sum(visit.late_s is not None for visit in some), len(some)

    def late_s(self) -> float:
        """Median delay of those that were seen."""
        late = [visit.late_s for visit in self.visits if visit.late_s is not None and visit.longer_px >= 20]
        return float(np.median(late)) if late else float("nan")


def empty_frames(clip: Clip) -> np.ndarray:
    """True for frames in which nobody is there, nor was just now; (count,) bool."""
    times = np.arange(clip.count) / clip.frames_per_s
    out = times >= clip.warm_s
    for stay in clip.stays:
        out &= ~((times >= stay.start_s - CLEAR_BEFORE_S) & (times < stay.end_s + CLEAR_AFTER_S))
    return out


def count(clip: Clip, fired: Fired) -> Count:
    """Compare what was let through with the truth."""
    empty = empty_frames(clip)
    out = Count(empty_h=float(empty.sum()) / clip.frames_per_s / 3600)
    last = -np.inf
    for number in np.flatnonzero(empty):
        if fired[number] and number / clip.frames_per_s - last >= APART_S:
            out.false += 1
            last = number / clip.frames_per_s
    out.visits = [
        _seen(stay, fired, clip.frames_per_s)
        for stay in clip.stays
        if stay.stay_s >= LEAST_STAY_S and stay.settled_s >= clip.warm_s
    ]
    return out


def _seen(stay: Stay, fired: Fired, rate: float) -> Seen:
    for number in range(int(np.ceil(stay.settled_s * rate)), int(stay.leaving_s * rate)):
        true = stay.boxes.get(number)
        if true is not None and any(_hits(box, true) for box in fired[number]):
            return Seen(stay.longer_px, number / rate - stay.settled_s)
    return Seen(stay.longer_px, None)


def _hits(box: Box, true: Box) -> bool:
    """The box must cover a quarter of the visitor, and be no more than 30 times its size."""
    return box.overlap(true) >= 0.25 * true.area and box.area <= max(30 * true.area, 0.02)


def poisson_limits(events: int, hours: float) -> tuple[float, float]:
    """Exact 95 % limits of a rate an hour (Garwood 1936, by the chi-square quantile)."""
    low = stats.chi2.ppf(0.025, 2 * events) / 2 if events else 0.0
    return float(low / hours), float(stats.chi2.ppf(0.975, 2 * events + 2) / 2 / hours)


def wilson_limits(seen: int, total: int) -> tuple[float, float]:
    """95 % score limits of a share (Wilson 1927)."""
    if not total:
        return 0.0, 1.0
    z = 1.959964
    share, extra = seen / total, z * z / total
    middle = (share + extra / 2) / (1 + extra)
    half = z * np.sqrt(share * (1 - share) / total + extra / total / 4) / (1 + extra)
    return float(middle - half), float(middle + half)
