"""How the box is, in words: the health message. Pure; everything comes in as plain values."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from dooryard.core.wording import duration

# Below this, pictures go out slowly and the link drops now and then. Common practice, no source.
WEAK_WIFI_DBM = -75.0
LITTLE_DISK_BYTES = 200_000_000


@dataclass(frozen=True, slots=True)
class Health:
    """What is known. What is not known is None, and the message says so."""

    box: str
    uptime_s: float  # of the program
    doing: str  # "watching", "resting until the watch hours", "camera lost, trying again"
    clock_set: bool
    visits: int  # since the start
    last_visit_ago_s: float | None  # None: none since the start
    readings: Mapping[str, str] = field(default_factory=dict)  # sensor -> "41.5 °C", or "gone: ..."
    disk_free_bytes: int | None = None
    wifi_dbm: float | None = None
    deliveries: Mapping[str, Mapping[str, int]] = field(default_factory=dict)  # `Store.counts`
    unstored: int = 0  # visits that the disk refused and that wait in memory
    lost: int = 0  # visits that were given up
    hush: str = ""  # the pause or the mute that holds: "muted until 06:00"
    missing: tuple[str, ...] = ()  # parts that are wanted but absent, one sentence each


def troubles(health: Health) -> list[str]:
    """What is wrong, one sentence each, the worst first."""
    return [
        *health.missing,
        *_troubles_with_storing(health),
        *_troubles_with_telling(health),
        *_others(health),
    ]


def health_text(health: Health) -> str:
    """A few lines; what is wrong stands first."""
    wrong = troubles(health)
    head = [*wrong, ""] if wrong else ["All is well."]
    return "\n".join([*head, *_facts(health)])


def _troubles_with_storing(health: Health) -> Iterator[str]:
    if health.unstored:
        yield f"The disk refuses to take {_visits(health.unstored)}, which wait in memory."
    if health.lost:
        yield f"{_visits(health.lost)} could not be stored at all."
    if health.disk_free_bytes is not None and health.disk_free_bytes < LITTLE_DISK_BYTES:
        yield f"The disk is nearly full: {_megabytes(health.disk_free_bytes)} left."


def _troubles_with_telling(health: Health) -> Iterator[str]:
    for sink, counts in health.deliveries.items():
        for state, what in (("refused", "refused"), ("expired", "given up after days")):
            if count := counts.get(state):
                yield f"{sink}: {'1 alert was' if count == 1 else f'{count} alerts were'} {what}."


def _others(health: Health) -> Iterator[str]:
    for sensor, text in health.readings.items():
        if text.startswith("gone"):
            yield f"The sensor {sensor} does not answer ({text.removeprefix('gone: ')})."
    if health.wifi_dbm is not None and health.wifi_dbm < WEAK_WIFI_DBM:
        yield f"The Wi-Fi signal is weak ({health.wifi_dbm:.0f} dBm)."
    if not health.clock_set:
        yield "The clock is not set, so hours are not known."


def _facts(health: Health) -> Iterator[str]:
    yield f"Running for {duration(health.uptime_s)}; now {health.doing}."
    if health.hush:
        yield f"Only urgent alerts are sent: {health.hush}."
    if health.last_visit_ago_s is None:
        yield "No visit since the start."
    else:
        yield f"{_visits(health.visits)} since the start, the last {duration(health.last_visit_ago_s)} ago."
    readings = [f"{name} {text}" for name, text in health.readings.items() if not text.startswith("gone")]
    if readings:
        yield f"Sensors: {', '.join(readings)}."
    disk, wifi = health.disk_free_bytes, health.wifi_dbm
    yield "Disk: " + ("not known." if disk is None else f"{_megabytes(disk)} left.")
    yield "Wi-Fi: " + ("not known." if wifi is None else f"{wifi:.0f} dBm.")
    yield f"Clock: {'set' if health.clock_set else 'not set'}."
    waiting = {sink: counts.get("waiting", 0) for sink, counts in health.deliveries.items()}
    if any(waiting.values()):
        yield f"To send: {', '.join(f'{count} to {sink}' for sink, count in waiting.items() if count)}."
    else:
        yield "To send: nothing."
    gathered = sum(counts.get("gathered", 0) for counts in health.deliveries.values())
    if gathered:
        yield f"Sent together, as they were late: {gathered}."


def _visits(count: int) -> str:
    return "1 visit" if count == 1 else f"{count} visits"


def _megabytes(count: int) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count // 1_000_000} MB"
