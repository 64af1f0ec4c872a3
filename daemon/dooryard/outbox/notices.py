"""Tells through another sink that one of them will not take an alert: pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from dooryard.core.records import Alert, Moment
from dooryard.outbox.schedule import Delivery, DeliveryState


def as_stand_in(alert: Alert, sink: str) -> Alert:
    """`alert` for another sink, as `sink` could not be reached."""
    return replace(alert, text=f"{alert.text}\nTold here because {sink} could not be reached.")


def failure_notice(
    delivery: Delivery, title: str, others: Sequence[str], now: Moment, *, clock_set: bool
) -> Alert | None:
    """What to tell `others` about a delivery that ended untold; None when there is no other sink.

    Its id is of the sink and the date, so that a sink that refuses everything is told of once a day.
    """
    if delivery.state not in {DeliveryState.REFUSED, DeliveryState.EXPIRED} or not others:
        return None
    verb = "refused" if delivery.state is DeliveryState.REFUSED else "could not be reached for days about"
    return Alert(
        id=f"untold-{delivery.sink}-{now.wall.date().isoformat()}",
        kind="box",
        wall=now.wall,
        clock_set=clock_set,
        title=f"{delivery.sink} does not take alerts",
        text=f"The sink {delivery.sink} {verb} an alert ({title}). Its answer: {delivery.answer or 'none'}.\n"
        "The alert is set aside, and its visit stays in the journal. If more follow today you are not "
        "told of each: `dooryard outbox` lists them, and can try them again.",
        sinks=tuple(others),
    )
