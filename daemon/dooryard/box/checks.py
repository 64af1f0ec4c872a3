"""What a box file says that cannot work, or was surely not meant. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from email.utils import parseaddr
from typing import TYPE_CHECKING, Any

from dooryard.box.addresses import is_loopback, parsed_address
from dooryard.box.camera import PicameraTable
from dooryard.box.sinks import PublishOptions, WebhookOptions
from dooryard.config.toml_document import Document, quoted
from dooryard.config.toml_lines import Path

if TYPE_CHECKING:
    from dooryard.box.file import BoxFile

I2C_PINS, ONE_WIRE_PIN = (2, 3), 4
_I2C = ("sht3x", "bme280")
_EMPTY = "is empty or the wrong way round; write left, top, right, bottom"
_GRID = 50  # points a side, at which covered and not is looked at
_SAMPLE_NAMES = ("example", "test", "invalid", "example.com", "example.org", "example.net")  # RFC 2606

Found = Iterator[tuple[Path, str]]


def note(document: Document, box: BoxFile) -> None:
    """Note what cannot work as problems, and what was surely not meant as warnings."""
    for path, text in (*_camera(box), *_gate(box), *_pins(box)):
        document.problem(path, text)
    for path, text in (*_hidden(box), *_pace(box), *_publishing(box), *_twins(box), *_unencrypted(box)):
        document.warning(path, text)


def _camera(box: BoxFile) -> Found:
    camera = box.camera
    for i, part in enumerate(camera.blackout):
        if _is_empty(part):
            yield ("camera", "blackout", i), _EMPTY
    if not isinstance(camera, PicameraTable):
        return
    if camera.region is not None and _is_empty(camera.region):
        yield ("camera", "region"), _EMPTY
    if isinstance(camera.focus_m, float) and camera.focus_m <= 0:
        yield ("camera", "focus_m"), 'must be more than 0 m, or "auto"'


def _is_empty(part: tuple[float, float, float, float]) -> bool:
    left, top, right, bottom = part
    return not (left < right and top < bottom)


def _hidden(box: BoxFile) -> Found:
    parts = [((x0, y0), (x1, y0), (x1, y1), (x0, y1)) for x0, y0, x1, y1 in box.camera.blackout]
    if _covered(tuple(parts)) > 0.5:
        text = "blacks out more than half of the view; turn the camera away, or let region cut that off"
        yield ("camera", "blackout"), text


def _gate(box: BoxFile) -> Found:
    if _covered(box.gate.ignore) == 1:
        yield ("gate", "ignore"), "covers the whole picture, so nothing is ever seen; leave the feeder out"


def _covered(areas: tuple[tuple[tuple[float, float], ...], ...]) -> float:
    """The part of the picture that `areas` cover together, 0 to 1."""
    points = [((i + 0.5) / _GRID, (j + 0.5) / _GRID) for i in range(_GRID) for j in range(_GRID)]
    return sum(any(_inside(point, corners) for corners in areas) for point in points) / len(points)


def _inside(point: tuple[float, float], corners: tuple[tuple[float, float], ...]) -> bool:
    """By the number of edges that a ray to the right crosses."""
    x, y = point
    inside = False
    for (x0, y0), (x1, y1) in zip(corners, corners[1:] + corners[:1], strict=True):
        if (y0 > y) != (y1 > y) and x < (x1 - x0) * (y - y0) / (y1 - y0) + x0:
            inside = not inside
    return inside


def _pins(box: BoxFile) -> Found:
    if box.button is not None and box.lamp is not None and box.button.pin == box.lamp.pin:
        yield ("lamp", "pin"), f"is the button's pin too ({box.lamp.pin}); wire one of them to another"
    kinds = {sensor.kind for sensor in box.sensor}
    for name, part in (("button", box.button), ("lamp", box.lamp)):
        if part is None:
            continue
        if part.pin in I2C_PINS and kinds & set(_I2C):
            yield (name, "pin"), f"{part.pin} belongs to the I2C bus, which a sensor uses; take another"
        if part.pin == ONE_WIRE_PIN and "ds18b20" in kinds:
            yield (name, "pin"), f"{part.pin} belongs to the one-wire bus, which a sensor uses; take another"


def _pace(box: BoxFile) -> Found:
    visit, frames_per_s = box.visit, getattr(box.camera, "frames_per_s", None)
    if frames_per_s is not None and 1 / frames_per_s >= visit.gone_after_s:
        slower = f"is slower than visit.gone_after_s ({visit.gone_after_s:g} s): everybody is gone"
        yield ("camera", "frames_per_s"), f"{slower} before the next frame, so no visit is ever settled"
    if box.classifier.look_every_s >= visit.gone_after_s:
        slower = f"is not less than visit.gone_after_s ({visit.gone_after_s:g} s)"
        yield ("classifier", "look_every_s"), f"{slower}, so no visit is ever settled"


def _unencrypted(box: BoxFile) -> Found:
    for i, sink in enumerate(box.sink):
        url = parsed_address(sink.url) if isinstance(sink, WebhookOptions) else None
        if url is not None and url.scheme == "http" and not is_loopback(url.host or ""):
            yield (
                ("sink", i, "url"),
                "goes unencrypted, so anybody on the way can read it; use https if it can",
            )


def _publishing(box: BoxFile) -> Found:
    if box.journal.build == "never" and any(isinstance(sink, PublishOptions) for sink in box.sink):
        yield ("journal", "build"), "nothing is published until somebody runs `dooryard journal`"


def _twins(box: BoxFile) -> Found:
    seen: dict[Any, int] = {}
    for i, sensor in enumerate(box.sensor):
        if sensor.reads is None:
            continue
        first = seen.setdefault(sensor.reads, i)
        if first != i:
            yield ("sensor", i), f"reads the same as sensor[{first + 1}]; tell them apart by device"


def to_fill_in(box: BoxFile, handed_over: frozenset[str] = frozenset()) -> Found:
    """Addresses that belong to nobody, as the samples have them, and secrets that the unit must hand over.

    `handed_over` are the credentials that it does hand over.
    """
    secrets: list[tuple[Path, object]] = [
        (("sink", i, key), getattr(sink, key, None))
        for i, sink in enumerate(box.sink)
        for key in ("secret", "bearer", "password", "key")
    ]
    secrets.append((("heartbeat", "address"), box.heartbeat.address if box.heartbeat else None))
    for path, reference in secrets:
        kind, _, name = str(reference or "").partition(":")
        if kind == "credential" and name not in handed_over:
            remedy = f"systemctl edit dooryard, [Service] LoadCredential={name}:/etc/dooryard/secrets/{name}"
            yield path, f"wants the credential {quoted(name)}: {remedy}"
    for i, sink in enumerate(box.sink):
        for key in ("url", "host", "sender", "to"):
            value = getattr(sink, key, None)
            for text in value if isinstance(value, tuple) else (value,):
                if isinstance(text, str) and _is_of_a_sample(text):
                    name = "from" if key == "sender" else key
                    yield ("sink", i, name), f"{quoted(text)} is still the sample's; put your own there"
                    break


def _is_of_a_sample(text: str) -> bool:
    host = text.partition("://")[2].partition("/")[0] if "://" in text else parseaddr(text)[1] or text
    host = host.rpartition("@")[2].partition(":")[0].lower().rstrip(".")
    return any(host == name or host.endswith(f".{name}") for name in _SAMPLE_NAMES)
