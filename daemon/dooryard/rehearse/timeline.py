"""The day and the recording as pictures in SVG. Pure: a rehearsal in, text out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, time, timedelta
from html import escape

from dooryard.core.records import Outcome
from dooryard.core.wording import label
from dooryard.policy.hours import Span, spans_around
from dooryard.policy.local_time import local_day, local_time
from dooryard.policy.schema import Policy
from dooryard.policy.sun import CIVIL_DEG, HORIZON_DEG, elevation_deg
from dooryard.rehearse.records import Rehearsal, RehearsedVisit

WIDTH = 400  # of the drawing; text of 11 is then readable on a phone
MOST_DAYS = 14
MARK = {Outcome.TELL: "told", Outcome.HOLD: "held", Outcome.SILENT: "silent"}

_LEFT, _RIGHT = 8, 392
_LANE = 18
_STEP = timedelta(minutes=10)
_DAY = timedelta(days=1)
_TICKS_S = (10, 30, 60, 300, 600, 1800, 3600, 7200, 14400, 21600, 43200, 86400)


def days_picture(rehearsal: Rehearsal) -> str:
    """Each day of the recording from midnight to midnight: sun, watch and quiet hours, recording, alerts."""
    if rehearsal.first is None or rehearsal.last is None:
        return ""
    zone = rehearsal.policy.place.zone
    first, last = (wall.astimezone(zone).date() for wall in (rehearsal.first, rehearsal.last))
    days = [first + k * _DAY for k in range(min((last - first).days + 1, MOST_DAYS))]
    return "\n".join(_day(rehearsal, on) for on in days)


def recording_picture(rehearsal: Rehearsal) -> str:
    """The recording from its first frame to its last, a lane for each visitor."""
    if rehearsal.first is None or rehearsal.last is None or not rehearsal.seen:
        return ""
    scale = _Scale(rehearsal.first, max(rehearsal.last, rehearsal.first + timedelta(seconds=1)))
    lanes = list(dict.fromkeys(label(seen.visit.visitor) for seen in rehearsal.seen))
    height = 2 * _LANE * len(lanes) + 26
    parts = list(_ticks(rehearsal.policy, scale, height - 20))
    for i, lane in enumerate(lanes):
        y = 2 * _LANE * i + 14
        parts.append(f'<text x="{_LEFT}" y="{y}">{escape(lane)}</text>')
        mine = (seen for seen in rehearsal.seen if label(seen.visit.visitor) == lane)
        parts += [_bar(scale, seen, y + 4) for seen in mine]
    title = f"Visits in {rehearsal.recording}"
    return _svg(title, height, parts)


class _Scale:
    """Moments to places from left to right."""

    def __init__(self, start: datetime, end: datetime) -> None:
        self.start, self.end = start, end

    def x(self, wall: datetime) -> float:
        part = (min(max(wall, self.start), self.end) - self.start) / (self.end - self.start)
        return round(_LEFT + part * (_RIGHT - _LEFT), 1)

    def band(self, span: Span, y: int, height: int, kind: str) -> str:
        """A bar over the part of `span` that is in the picture; nothing where there is none."""
        x0, x1 = self.x(span[0]), self.x(span[1])
        if span[1] <= self.start or span[0] >= self.end:
            return ""
        return f'<rect class="{kind}" x="{x0}" y="{y}" width="{max(1.0, x1 - x0):.1f}" height="{height}"/>'


def _day(rehearsal: Rehearsal, on: date) -> str:
    policy = rehearsal.policy
    start, end = (datetime.combine(day, time(), policy.place.zone).astimezone(UTC) for day in (on, on + _DAY))
    scale = _Scale(start, end)
    parts = [scale.band(span, 18, 14, kind) for span, kind in _light(policy, start, end)]
    y = 36
    for kind, windows in (("watch", policy.hours.watch), ("quiet", policy.hours.quiet)):
        spans = spans_around(windows, policy.place, on) if windows else ()
        if kind == "watch" and not windows:
            spans = ((start, end),)
        if spans:
            parts += [scale.band(span, y, 7, kind) for span in spans]
            y += 10
    assert rehearsal.first is not None
    assert rehearsal.last is not None
    parts.append(scale.band((rehearsal.first, rehearsal.last), y, 7, "frames"))
    parts += [scale.band(span, y, 7, "off") for span in rehearsal.rests]
    parts += [_alert(scale, seen, y + 16) for seen in rehearsal.seen if start <= seen.visit.start.wall < end]
    parts.append(f'<text x="{_LEFT}" y="13">{escape(local_day(policy, start))}</text>')
    for hour in range(0, 25, 6):
        x = _LEFT + (_RIGHT - _LEFT) * hour / 24
        anchor = "start" if hour == 0 else "end" if hour == 24 else "middle"
        parts.append(f'<text x="{x:.0f}" y="{y + 36}" text-anchor="{anchor}">{hour:02d}:00</text>')
    return _svg(f"{local_day(policy, start)}: sun, watch hours and visits", y + 42, parts)


def _light(policy: Policy, start: datetime, end: datetime) -> Iterator[tuple[Span, str]]:
    """Night, twilight and day, in stretches; nothing where the place isn't known."""
    latitude, longitude = policy.place.latitude, policy.place.longitude
    if latitude is None or longitude is None:
        return
    at, current = start, start
    kind = ""
    while at < end:
        height = elevation_deg(latitude, longitude, at + _STEP / 2)
        now = "day" if height > HORIZON_DEG else "twilight" if height > CIVIL_DEG else "night"
        if now != kind:
            if kind:
                yield (current, at), kind
            current, kind = at, now
        at += _STEP
    yield (current, end), kind


def _ticks(policy: Policy, scale: _Scale, height: int) -> Iterator[str]:
    lasts_s = (scale.end - scale.start).total_seconds()
    step_s = next((step for step in _TICKS_S if lasts_s / step <= 6), _TICKS_S[-1])
    at = datetime.fromtimestamp((scale.start.timestamp() // step_s + 1) * step_s, UTC)
    while at < scale.end:
        x = scale.x(at)
        text = f"{at.astimezone(policy.place.zone):%H:%M:%S}" if step_s < 60 else local_time(policy, at)
        yield f'<line class="grid" x1="{x}" y1="0" x2="{x}" y2="{height}"/>'
        if _LEFT + 14 < x < _RIGHT - 14:
            yield f'<text x="{x}" y="{height + 14}" text-anchor="middle">{text}</text>'
        at += timedelta(seconds=step_s)


def _bar(scale: _Scale, seen: RehearsedVisit, y: int) -> str:
    x0, x1 = scale.x(seen.visit.start.wall), scale.x(seen.end)
    kind = MARK[seen.decision.outcome]
    return (
        f'<rect class="{kind}" x="{x0}" y="{y}" width="{max(4.0, x1 - x0):.1f}" height="11" rx="3">'
        f"<title>{escape(seen.decision.reason)}</title></rect>"
    )


def _alert(scale: _Scale, seen: RehearsedVisit, y: int) -> str:
    kind = MARK[seen.decision.outcome]
    reason = escape(seen.decision.reason)
    x = scale.x(seen.visit.start.wall)
    return f'<circle class="{kind}" cx="{x}" cy="{y}" r="4"><title>{reason}</title></circle>'


def _svg(title: str, height: int, parts: Sequence[str]) -> str:
    inside = "\n".join(part for part in parts if part)
    name = escape(title)
    return f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{name}">\n{inside}\n</svg>'
