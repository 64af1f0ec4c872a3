"""Clips from the simulated garden, drawn straight in small luma."""

from __future__ import annotations

from collections.abc import Iterator

from dooryard.camera.garden.families import family
from dooryard.camera.garden.plan import GardenPlan
from dooryard.camera.garden.render import Painter
from dooryard.core.records import Box
from gate_bench.clip import Clip, Luma, Stay

SIZE = (320, 240)  # width, height
LEAST_VISIBLE = 0.5  # a visitor counts as in the picture when this much of it is


def garden_clip(
    name: str,
    kind: str,
    wind: str,
    seed: int,
    minutes: float,
    visits_per_min: float,
    *,
    family_name: str | None = None,
    **changes: object,
) -> Clip:
    """A clip of the garden's kind of scene `kind`; visits begin after the warm-up.

    `changes` are fields of `GardenSettings` to set on top; `family_name` is what the tables call it then.
    """
    settings = family(kind, seed, duration_s=minutes * 60, visits_per_min=visits_per_min, **changes)
    plan = GardenPlan(settings)

    def frames() -> Iterator[Luma]:
        painter = Painter(plan, colour=False, size=SIZE)
        for number in range(settings.frame_count):
            yield painter.luma(plan.scene(number))

    return Clip(
        name, family_name or kind, wind, settings.frames_per_s, settings.frame_count, frames, _stays(plan)
    )


def _stays(plan: GardenPlan) -> tuple[Stay, ...]:
    rate = plan.settings.frames_per_s
    out = []
    for visit in plan.visits:
        boxes: dict[int, Box] = {}
        first, last = (
            int(visit.start_s * rate),
            min(plan.settings.frame_count - 1, int(visit.end_s * rate) + 1),
        )
        for number in range(first, last + 1):
            for one in plan.scene(number).present:
                if one.visit == visit.number and one.visible >= LEAST_VISIBLE:
                    boxes[number] = one.box
        if boxes:
            sizes = [max(320 * (box.x1 - box.x0), 240 * (box.y1 - box.y0)) for box in boxes.values()]
            longer = sorted(sizes)[len(sizes) // 2]
            out.append(Stay(visit.start_s, visit.settled_s, visit.leaving_s, visit.end_s, longer, boxes))
    return tuple(out)
