"""From a box file's tables to the parts it names.

Longer than most modules: one function for each part, and what the box file can ask for stands in one place.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from dooryard import gate
from dooryard.box import file
from dooryard.box.file import BoxFile
from dooryard.box.kinds import Surroundings, made
from dooryard.box.sensors import build as build_sensors
from dooryard.button.lamp import Lamp
from dooryard.button.press import PressSettings
from dooryard.button.push import PushButton
from dooryard.camera.base import Camera
from dooryard.classify import regions
from dooryard.classify.onnx import BUILT_IN_BIRDS, OnnxClassifier
from dooryard.classify.species import Numbers
from dooryard.config.secrets import credentials_folder, path_of, resolve
from dooryard.core.clock import Clock
from dooryard.core.errors import ConfigError, ModelError
from dooryard.core.log import say
from dooryard.gate import GateSettings
from dooryard.health.monitor import Monitor
from dooryard.journal.paths import SITE
from dooryard.outbox.dispatcher import Dispatcher
from dooryard.outbox.schedule import RetryRules
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.policy.schema import Place as PolicyPlace
from dooryard.policy.schema import Policy
from dooryard.recording.writer import Recorder, RecorderSettings
from dooryard.sensors.clock_state import clock_is_set
from dooryard.sensors.kinds import Machine
from dooryard.sensors.poller import SensorPoller
from dooryard.service.heartbeat import Heartbeat
from dooryard.service.known_visitors import known_visitors
from dooryard.sinks.base import Sink
from dooryard.teaching import album
from dooryard.tracking.evidence import EvidenceRules
from dooryard.tracking.visits import VisitSettings

if TYPE_CHECKING:
    from dooryard.service.failover import LateClassifier

_log = logging.getLogger("dooryard")


def camera(box: BoxFile, base: Path, clock: Clock) -> Camera:
    """The camera that `box` names; paths are relative to `base`. Raises ConfigError or CameraError."""
    return box.camera.built(clock, base)


def card_path(box: BoxFile, base: Path) -> Path | None:
    """Where the model's card is; None: the built-in one."""
    return None if box.classifier.card == file.BUILT_IN else base / box.classifier.card


def species_card(box: BoxFile, base: Path, place: PolicyPlace | None) -> Path | None:
    """Where the card of the model that knows birds is; None: none is asked.

    The built-in one is asked only where it is known which birds live at `place`; None: not known yet.
    """
    if box.classifier.species_card == file.NONE:
        return None
    if box.classifier.species_card != file.BUILT_IN:
        return base / box.classifier.species_card
    known = place is None or place.birds is not None or place.has_sun
    return BUILT_IN_BIRDS if known else None


def visitors(box: BoxFile, base: Path) -> tuple[frozenset[str], dict[str, str]]:
    """Every name that this box can tell, and each one's group. Raises ModelError or ConfigError."""
    return known_visitors(
        card_path(box, base),
        species_card=species_card(box, base, None),
        examples=album.examples(base / box.state_folder),
    )


def visitors_if_known(box: BoxFile, base: Path) -> tuple[frozenset[str] | None, dict[str, str]]:
    """`visitors`; no names where there is no model to ask and the box may watch without."""
    try:
        return visitors(box, base)
    except ModelError as error:
        spare = box.classifier.species_card == file.BUILT_IN
        if not spare and not box.classifier.watch_without:
            raise
        say(_log, logging.WARNING, "names in the policy are not checked", why=error.what)
    if not spare:
        return None, {}
    try:  # without the species model, which the box can do without
        return None, known_visitors(card_path(box, base), examples=album.examples(base / box.state_folder))[1]
    except ModelError:
        if not box.classifier.watch_without:
            raise
        return None, {}


def classifier(box: BoxFile, base: Path, place: PolicyPlace) -> OnnxClassifier:
    """The classifier that `box` names, warmed up, for the birds of `place`. Raises ModelError.

    Where the built-in species model is missing or damaged, birds are told without their names.
    """
    built = OnnxClassifier(
        card_path(box, base),
        threads=box.classifier.threads,
        species_card=species_card(box, base, place),
        region=regions.of_place(place.birds, place.latitude, place.longitude),
        spare=box.classifier.species_card == file.BUILT_IN,
    )
    if built.trouble is not None:
        say(_log, logging.WARNING, "birds are told without their names", why=built.trouble.what)
    elif built.species_card is not None and built.species_card.limits:
        say(_log, logging.INFO, "birds are told by name", limits=built.species_card.limits)
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


def names_trouble(classifier: object) -> str | None:
    """Why birds are told without their names, and what to do; None: nothing is wrong."""
    error = classifier.trouble if isinstance(classifier, OnnxClassifier) else None
    return None if error is None else f"birds are told without their names: {error.what} ({error.remedy})"


def numbers_of(classifier: object) -> Numbers | None:
    """How names are read from the looks of a visit; None: there is no species model."""
    card = classifier.species_card if isinstance(classifier, OnnxClassifier) else None
    return card.names if card is not None else None


def evidence_rules(numbers: Numbers | None) -> EvidenceRules:
    """How a visit's looks are joined; `numbers` are the species model's, None: there is none."""
    if numbers is None:
        return EvidenceRules()
    return EvidenceRules(species=numbers.told_from, name_likeness=numbers.likeness, one_rival=False)


def sinks(box: BoxFile, base: Path, environ: Mapping[str, str]) -> list[Sink]:
    """The sinks of `box`, with their secrets. Raises SinkError for what cannot work."""
    credentials = credentials_folder(environ)

    def reveal(reference: object) -> str | None:
        return None if reference is None else resolve(str(reference), environ, credentials).reveal()

    around = Surroundings(
        base=base,
        box_name=box.name,
        journal=base / box.state_folder / SITE,
        reveal=reveal,
        secret_file=lambda reference: path_of(str(reference), credentials),
    )
    return [made(table, partial(table.build, around)) for table in box.sink]


def dispatcher(
    box: BoxFile, base: Path, store: Store, clock: Clock, environ: Mapping[str, str], *, live: bool
) -> Dispatcher:
    """The threads that tell, not yet started. Raises SinkError for a sink that cannot work."""
    # What a recording tells is as old as the recording: that makes no alert late.
    common = RetryRules() if live else RetryRules(late_after_s=math.inf)
    rules_of = {
        table.name: replace(common, per_hour=at_most)
        for table in box.sink
        if (at_most := getattr(table, "at_most_per_hour", None)) is not None
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
    address = resolve(str(box.heartbeat.address), environ, credentials_folder(environ)).reveal()
    return Heartbeat(address, box.heartbeat.every_s, clock, _log, well=well)


def conditions(
    box: BoxFile, policy: Policy, *, clock_set: bool, numbers: Numbers | None = None
) -> Conditions:
    """What holds while this box runs with this policy; `numbers` are the species model's.

    Raises ConfigError for a gate without sense.
    """
    settings = GateSettings(smallest=box.gate.smallest, ignore=box.gate.ignore)
    problems = gate.problems(settings)
    if problems:
        raise ConfigError("\n".join(f"gate.{problem}" for problem in problems), "fix the box file")
    rules = evidence_rules(numbers)
    return Conditions(
        policy=policy,
        gate=settings,
        visits=VisitSettings(settle_s=box.visit.settle_s, gone_after_s=box.visit.gone_after_s, rules=rules),
        sinks=file.telling(box),
        clock_set=clock_set,
        look_every_s=box.classifier.look_every_s,
    )


def monitor(box: BoxFile, store: Store, clock: Clock) -> Monitor:
    """What looks after the box: its sensors, its button and its lamp. Says what this board does not have."""
    found = build_sensors(box.sensor, Machine(state_folder=store.folder))
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
