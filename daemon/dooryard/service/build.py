"""From a box file's tables to the parts it names.

Longer than most modules: one function for each part, and what the box file can ask for stands in one place.
"""

from __future__ import annotations

import logging
import math
import time
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dooryard import gate
from dooryard.box import file
from dooryard.box.camera import CAMERA_KEYS
from dooryard.box.file import BoxFile
from dooryard.button.lamp import Lamp
from dooryard.button.press import PressSettings
from dooryard.button.push import PushButton
from dooryard.camera.base import Camera
from dooryard.camera.blackout import blacked_out
from dooryard.classify import regions
from dooryard.config.secrets import path_of, resolve
from dooryard.core.clock import Clock
from dooryard.core.errors import ConfigError, ModelError
from dooryard.core.log import say
from dooryard.core.records import Box
from dooryard.gate import GateSettings
from dooryard.health.monitor import Monitor
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.policy.schema import Place as PolicyPlace
from dooryard.policy.schema import Policy
from dooryard.recording.writer import Recorder, RecorderSettings
from dooryard.sensors.clock_state import clock_is_set
from dooryard.sensors.poller import SensorPoller
from dooryard.sensors.registry import Machine
from dooryard.sensors.registry import build as build_sensors
from dooryard.service.cameras import build as build_camera
from dooryard.service.heartbeat import Heartbeat
from dooryard.service.known_visitors import known_visitors
from dooryard.sinks.base import Sink
from dooryard.teaching import album
from dooryard.tracking.visits import VisitSettings

if TYPE_CHECKING:
    from dooryard.classify.onnx import OnnxClassifier
    from dooryard.service.failover import LateClassifier
    from dooryard.sinks.remote import Host

Reveal = Callable[[object], str | None]  # a secret's reference -> the secret

ALDER_ROW = "alder row afternoon"
_log = logging.getLogger("dooryard")


def camera(box: BoxFile, base: Path, clock: Clock) -> Camera:
    """The camera that `box` names; paths are relative to `base`. Raises ConfigError or CameraError."""
    table = box.camera
    mine = CAMERA_KEYS[table.kind] & table.model_fields_set
    options: dict[str, Any] = {key: getattr(table, key) for key in mine}
    for key in ("folder", "index"):
        if key in options:
            options[key] = str(base / options[key])
    options["luma_size"] = (table.luma_width, table.luma_height)
    parts = [Box(*part) for part in table.blackout]
    if table.kind == "scene":
        return blacked_out(_scene(options), parts)
    if {"large_width", "large_height"} & options.keys():
        options.pop("large_width", None)
        options.pop("large_height", None)
        options["large_size"] = (table.large_width, table.large_height)
    return blacked_out(build_camera(table.kind, clock, **options), parts)


def _scene(options: dict[str, Any]) -> Camera:
    """The simulated garden: a preset or a kind of scene by name, with what the box file changes."""
    from dooryard.camera.garden.families import FAMILIES, PRESETS, family
    from dooryard.camera.scene import SceneCamera

    name = options.get("preset", ALDER_ROW)
    if name not in PRESETS and name not in FAMILIES:
        known = ", ".join(f'"{known}"' for known in (*PRESETS, *FAMILIES))
        raise ConfigError(f'camera.preset: there is no scene "{name}"', f"choose one of {known}")
    garden = PRESETS[name]() if name in PRESETS else family(name, options.get("seed", 1))
    fields = {"seed": "seed", "seconds": "duration_s", "large_width": "width", "large_height": "height",
              "frames_per_s": "frames_per_s"}  # fmt: skip
    changes = {fields[key]: value for key, value in options.items() if key in fields}
    try:
        garden = replace(garden, **changes)
    except ValueError as error:
        raise ConfigError(f"camera: {error}", "mend the scene's keys in the box file") from error
    return SceneCamera(garden, luma_size=options["luma_size"])


def card_path(box: BoxFile, base: Path) -> Path | None:
    """Where the model's card is; None: the built-in one."""
    return None if box.classifier.card == file.BUILT_IN else base / box.classifier.card


def species_card(box: BoxFile, base: Path) -> Path | None:
    """Where the card of the model that knows birds is; None: there is none."""
    return base / box.classifier.species_card if box.classifier.species_card else None


def visitors(box: BoxFile, base: Path) -> tuple[frozenset[str], dict[str, str]]:
    """Every name that this box can tell, and each one's group. Raises ModelError or ConfigError."""
    return known_visitors(
        card_path(box, base),
        species_card=species_card(box, base),
        examples=album.examples(base / box.state_folder),
    )


def visitors_if_known(box: BoxFile, base: Path) -> tuple[frozenset[str] | None, dict[str, str]]:
    """`visitors`; None where there is no model to ask and the box may watch without."""
    try:
        return visitors(box, base)
    except ModelError as error:
        if not box.classifier.watch_without:
            raise
        say(_log, logging.WARNING, "names in the policy are not checked", why=error.what)
        return None, {}


def classifier(box: BoxFile, base: Path, place: PolicyPlace) -> OnnxClassifier:
    """The classifier that `box` names, warmed up, for the birds of `place`. Raises ModelError."""
    from dooryard.classify.onnx import OnnxClassifier

    built = OnnxClassifier(
        card_path(box, base),
        threads=box.classifier.threads,
        species_card=species_card(box, base),
        region=regions.of_place(place.birds, place.latitude, place.longitude),
    )
    built.warm_up()
    return built


def classifier_or_late(box: BoxFile, base: Path, place: PolicyPlace) -> OnnxClassifier | LateClassifier:
    """`classifier`; where it cannot be made and the box file allows to watch without, one that comes late.

    Raises ModelError where that is not allowed.
    """
    from dooryard.service.failover import LateClassifier

    try:
        return classifier(box, base, place)
    except ModelError as error:
        if not box.classifier.watch_without:
            raise
        return LateClassifier(lambda: classifier(box, base, place), error)


def sinks(box: BoxFile, base: Path, environ: Mapping[str, str]) -> list[Sink]:
    """The sinks of `box`, with their secrets. Raises SinkError for what cannot work."""
    folder = environ.get("CREDENTIALS_DIRECTORY")
    credentials = Path(folder) if folder else None

    def reveal(reference: object) -> str | None:
        return None if reference is None else resolve(str(reference), environ, credentials).reveal()

    return [_sink(table, base, box, reveal, credentials) for table in box.sink]


def dispatcher(
    box: BoxFile, base: Path, store: Store, clock: Clock, environ: Mapping[str, str], *, live: bool
) -> Dispatcher:
    """The threads that tell, not yet started. Raises SinkError for a sink that cannot work."""
    # What a recording tells is as old as the recording: that makes no alert late.
    common = RetryRules() if live else RetryRules(late_after_s=math.inf)
    rules_of = {
        table.name: replace(common, per_hour=table.at_most_per_hour)
        for table in box.sink
        if isinstance(table, file.WebhookOptions | file.EmailOptions)
    }
    return Dispatcher(
        store,
        sinks(box, base, environ),
        clock,
        _log,
        rules=common,
        rules_of=rules_of,
        notices_to=sorted(file.telling(box)),
        clock_set=lambda: not live or clock_is_set(clock.now().wall),
    )


def heartbeat(
    box: BoxFile, clock: Clock, environ: Mapping[str, str], well: Callable[[], bool]
) -> Heartbeat | None:
    """What tells a monitor that the box is alive, not yet started. Raises SinkError."""
    if box.heartbeat is None:
        return None
    folder = environ.get("CREDENTIALS_DIRECTORY")
    address = resolve(str(box.heartbeat.address), environ, Path(folder) if folder else None).reveal()
    return Heartbeat(address, box.heartbeat.every_s, clock, _log, well=well)


def _sink(table: file.SinkTable, base: Path, box: BoxFile, reveal: Reveal, credentials: Path | None) -> Sink:
    if isinstance(table, file.MemoryOptions):
        from dooryard.sinks.memory import MemorySink

        return MemorySink(table.name)
    if isinstance(table, file.PublishOptions):
        from dooryard.journal.paths import SITE
        from dooryard.sinks.publish import PublishSink

        journal = base / box.state_folder / SITE
        target = base / table.folder if table.host is None else _host(table, base, credentials)
        return PublishSink(table.name, journal, target, remove_gone=table.remove_gone)
    ca_file = base / table.ca_file if table.ca_file else None
    if isinstance(table, file.WebhookOptions):
        return _webhook(table, ca_file, f"/dooryard/{box.name}", reveal)
    return _email(table, ca_file, reveal)


def _host(table: file.PublishOptions, base: Path, credentials: Path | None) -> Host:
    from dooryard.sinks.remote import Host

    assert table.host is not None  # the four go together: checked with the file
    assert table.user is not None
    assert table.known_hosts is not None
    return Host(
        host=table.host,
        user=table.user,
        folder=table.folder,
        key=path_of(str(table.key), credentials),
        known_hosts=base / table.known_hosts,
        port=table.port,
        total_timeout_s=table.deadline_s,
        remove_gone=table.remove_gone,
    )


def _webhook(table: file.WebhookOptions, ca_file: Path | None, source: str, reveal: Reveal) -> Sink:
    from dooryard.sinks.webhook import WebhookSink

    password = reveal(table.password)
    return WebhookSink(
        table.name,
        table.url,
        secret=reveal(table.secret),
        bearer=reveal(table.bearer),
        basic=(table.user, password) if table.user and password else None,
        body=table.plan,
        ca_file=ca_file,
        connect_timeout_s=table.connect_timeout_s,
        read_timeout_s=table.read_timeout_s,
        picture_max_bytes=table.picture_max_bytes,
        message_max_bytes=table.message_max_bytes,
        source=source,
        now=time.time,
    )


def _email(table: file.EmailOptions, ca_file: Path | None, reveal: Reveal) -> Sink:
    from dooryard.sinks.email import EmailSink

    return EmailSink(
        table.name,
        table.host,
        table.port_used,
        sender=table.sender,
        recipients=table.to,
        security=table.security,
        user=table.user,
        password=reveal(table.password),
        ca_file=ca_file,
        read_timeout_s=table.timeout_s,
        picture_max_bytes=table.picture_max_bytes,
        message_max_bytes=table.message_max_bytes,
        now=time.time,
    )


def conditions(box: BoxFile, policy: Policy, *, clock_set: bool) -> Conditions:
    """What holds while this box runs with this policy. Raises ConfigError for a gate without sense."""
    settings = GateSettings(smallest=box.gate.smallest, ignore=box.gate.ignore)
    problems = gate.problems(settings)
    if problems:
        raise ConfigError("\n".join(f"gate.{problem}" for problem in problems), "mend the box file")
    return Conditions(
        policy=policy,
        gate=settings,
        visits=VisitSettings(settle_s=box.visit.settle_s, gone_after_s=box.visit.gone_after_s),
        sinks=file.telling(box),
        clock_set=clock_set,
        look_every_s=box.classifier.look_every_s,
    )


def monitor(box: BoxFile, store: Store, clock: Clock) -> Monitor:
    """What looks after the box: its sensors, its button and its lamp. Says what this board does not have."""
    found = build_sensors([sensor.spec for sensor in box.sensor], Machine(state_folder=store.folder))
    for text in found.absent:
        say(_log, logging.WARNING, "no sensor", what=text)
    looks_after = Monitor(SensorPoller(found.sensors, clock))
    if box.button is not None:
        looks_after.button = PushButton(box.button.pin, clock, PressSettings(hold_s=box.button.hold_s))
    if box.lamp is not None:
        looks_after.lamp = Lamp(box.lamp.pin, clock)
    return looks_after


def recorder_of(box: BoxFile, base: Path) -> Recorder | None:
    """The recorder that `box` asks for; None: none. Its folder is relative to `base`."""
    keys = box.recorder
    if keys is None:
        return None
    settings = RecorderSettings(frames_per_s=keys.frames_per_s, most_bytes=round(keys.most_gb * 1e9))
    about = box.model_dump(
        mode="json", exclude_none=True, include={"name", "camera", "classifier", "gate", "visit"}
    )
    return Recorder(base / keys.folder, settings, about)
