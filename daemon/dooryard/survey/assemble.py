"""All checks for one box file. What is built here is real; tests hand the checks parts of their own."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path

from dooryard.box.addresses import parsed_address
from dooryard.box.camera import PicameraTable
from dooryard.box.file import BoxFile
from dooryard.box.kinds import SinkOptions
from dooryard.box.sensors import BuiltSensors
from dooryard.box.sinks import EmailOptions, PublishOptions, WebhookOptions
from dooryard.button.push import PushButton
from dooryard.config.secrets import credentials_folder, resolve
from dooryard.core.clock import Clock
from dooryard.core.records import Box
from dooryard.policy.schema import Policy
from dooryard.service import build
from dooryard.survey.camera import camera_lines
from dooryard.survey.lines import Check, Finding, good
from dooryard.survey.machine import card_lines, clock_lines, disk_lines, permission_lines
from dooryard.survey.model import model_lines
from dooryard.survey.outside import Peer, button_lines, network_lines, secret_lines, sensor_lines, sink_lines
from dooryard.survey.store import store_lines
from dooryard.survey.view import view_lines


def checks(
    box: BoxFile,
    base: Path,
    policy: Policy,
    clock: Clock,
    environ: Mapping[str, str],
    *,
    sensors: BuiltSensors,
    button: PushButton | None = None,
    view: Path | None = None,
    ask: Callable[[str], None] = print,
    root: Path = Path("/"),
) -> list[Check]:
    """The checks for `box`, whose paths are relative to `base`. Without a `button` none is asked for.

    `view` is a file for a picture of the whole view; None: none is kept.

    The service must not run meanwhile: it holds the camera.
    """
    folder = base / box.state_folder
    rate = getattr(box.camera, "frames_per_s", None)
    asked = [] if button is None else [Check("button", lambda: button_lines(button, clock, ask))]
    return [
        Check("permissions", lambda: permission_lines(root, folder)),
        Check("clock", lambda: clock_lines(root, clock)),
        Check("disk", lambda: disk_lines(folder, clock, needs_mb=policy.keeping.megabytes)),
        Check("store", lambda: store_lines(folder)),
        Check("card", lambda: card_lines(root, folder.resolve())),
        Check("sensors", lambda: sensor_lines(sensors.sensors, sensors.absent, clock)),
        Check("camera", lambda: camera_lines(build.camera(box, base, clock), clock, rate)),
        *([] if view is None else [Check("view", lambda: _view(box, base, clock, view))]),
        Check("model", lambda: model_lines(lambda: build.classifier(box, base, policy.place), clock)),
        Check("network", lambda: network_lines(root)),
        Check("secrets", lambda: secret_lines(_secrets(box, environ))),
        Check("sinks", lambda: _sinks(box, base)),
        *asked,
    ]


def _view(box: BoxFile, base: Path, clock: Clock, file: Path) -> Sequence[Finding]:
    region = box.camera.region if isinstance(box.camera, PicameraTable) else None
    whole = box
    if region is not None:
        whole = box.model_copy(update={"camera": box.camera.model_copy(update={"region": None})})
    used = None if region is None else Box(*region)
    return view_lines(build.camera(whole, base, clock), file, used, box.gate.ignore)


def _sinks(box: BoxFile, base: Path) -> Sequence[Finding]:
    if box.sink and not peers(box, base):
        return [good("sinks", "none of them talks to anybody over the network")]
    return sink_lines(peers(box, base))


def peers(box: BoxFile, base: Path) -> list[Peer]:
    """What the sinks of `box` talk to."""
    return [peer for table in box.sink if (peer := _peer(table, base)) is not None]


def _peer(table: SinkOptions, base: Path) -> Peer | None:
    if isinstance(table, PublishOptions) and table.host is not None:
        return Peer(table.name, table.host, table.port, encrypted_from_start=False)
    if not isinstance(table, WebhookOptions | EmailOptions):
        return None  # nobody to talk to, or nobody knows
    ca_file = base / table.ca_file if table.ca_file else None
    if isinstance(table, EmailOptions):
        return Peer(table.name, table.host, table.port_used, table.security == "tls", ca_file)
    url = parsed_address(table.url)
    if url is None or url.host is None or url.port is None:
        return None  # the box file's own checks refuse such an address
    return Peer(table.name, url.host.strip("[]"), url.port, url.scheme == "https", ca_file)


def _secrets(box: BoxFile, environ: Mapping[str, str]) -> Sequence[tuple[str, str, Callable[[], object]]]:
    folder = credentials_folder(environ)
    wanted = []
    for table in box.sink:
        for key in ("secret", "bearer", "password", "key"):
            reference = getattr(table, key, None)
            if reference is not None:
                wanted.append((table.name, str(reference)))
    if box.heartbeat is not None:
        wanted.append(("the heartbeat", str(box.heartbeat.address)))
    return [(name, where, partial(resolve, where, environ, folder)) for name, where in wanted]
