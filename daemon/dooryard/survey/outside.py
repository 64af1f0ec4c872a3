"""Sensors, the button, the network, and each sink."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from dooryard.button.press import Press
from dooryard.button.push import PushButton
from dooryard.core.clock import Clock
from dooryard.core.errors import SinkError
from dooryard.sensors.base import Sensor
from dooryard.survey.lines import Finding, bad, good, look

_OFF_FIRST = "switch the power off first, then "  # before anybody touches a wire
_FLAGS = {  # the board's own: the value that is well, what it means, what the other means, the remedy
    "low-power": (
        0.0, "the supply's voltage is normal", "the supply's voltage is low",
        _OFF_FIRST + "take a supply with more current, or a shorter and thicker cable",
    ),
    "slowed-down": (
        0.0, "the processor runs at full speed", "the processor slows itself down",
        "let it cool, or check its supply",
    ),
    "clock": (
        1.0, "the clock has been set", "the clock has not been set",
        "wait until the network has set it; hours are not acted on until then",
    ),
}  # fmt: skip


def sensor_lines(sensors: Sequence[Sensor], absent: Sequence[str], clock: Clock) -> Sequence[Finding]:
    """Each sensor, read once; `absent` lists what the board does not have."""
    lines = []
    for sensor in sensors:
        reading = sensor.read(clock.now())
        about = f"sensor {sensor.name}"
        if reading.gone is None and sensor.name in _FLAGS:
            well, good_text, bad_text, remedy = _FLAGS[sensor.name]
            is_well = reading.value == well
            lines.append(good(about, good_text) if is_well else look(about, bad_text, remedy))
        elif reading.gone is None:
            lines.append(good(about, reading.text))
        else:
            remedy = _OFF_FIRST + "check its wiring, and its line in the board's boot configuration"
            lines.append(bad(about, reading.gone, remedy))
    remedy = "nothing, if the board has none; see systemd/README.md on which boards tell it"
    return [*lines, *(look("sensors", text, remedy) for text in absent)]


def button_lines(
    button: PushButton, clock: Clock, ask: Callable[[str], None], *, within_s: float = 20.0
) -> Sequence[Finding]:
    """Ask for a short press and wait for it. `button` is not started yet; it is stopped afterwards."""
    deadline_s = clock.now().mono_s + within_s
    asked = False
    try:
        while (now_s := clock.now().mono_s) < deadline_s:
            button.bell.clear()  # before looking, so that an edge while looking is not lost
            wait_s = button.tick()
            if button.pin.fault:
                return [
                    bad(
                        "button",
                        button.pin.fault,
                        _OFF_FIRST + "see that the pin in the box file is the wired one",
                    )
                ]
            if button.pin.device is not None and not asked:
                asked = True
                ask(f"Press the button briefly, please (within {within_s:.0f} s) ...")
            done = button.presses()
            if done:
                return _pressed(done[0])
            clock.wait(button.bell, min(1.0 if wait_s is None else wait_s, deadline_s - now_s))
    finally:
        button.stop()
    if not asked:
        text = f"its pin cannot be used: {button.pin.why or 'it did not open'}"
        return [bad("button", text, "install python3-lgpio, and see that the pin is free")]
    if button.down_for_s() > 0:
        text = "it is down all the time"
        return [
            bad(
                "button",
                text,
                _OFF_FIRST + "check its wiring: it must be open until it is pressed",
            )
        ]
    return [
        look(
            "button",
            f"no press came within {within_s:.0f} s",
            f"press it; or {_OFF_FIRST}check its wiring",
        )
    ]


def _pressed(press: Press) -> Sequence[Finding]:
    if press is Press.SHORT:
        return [good("button", "a short press came")]
    return [
        look(
            "button", "it was held, not pressed briefly", "if you pressed it briefly, it is stuck: repair it"
        )
    ]


@dataclass(frozen=True, slots=True)
class Peer:
    """What a sink talks to."""

    name: str  # the sink's
    host: str
    port: int
    encrypted_from_start: bool
    ca_file: Path | None = None


def connect(peer: Peer, timeout_s: float) -> None:
    """Connect, and shake hands where that is encrypted; nothing is sent. Raises OSError (ssl's included)."""
    with socket.create_connection((peer.host, peer.port), timeout_s) as plain:
        if peer.encrypted_from_start:
            context = ssl.create_default_context(cafile=str(peer.ca_file) if peer.ca_file else None)
            with context.wrap_socket(plain, server_hostname=peer.host):
                pass


def sink_lines(
    peers: Sequence[Peer], open_connection: Callable[[Peer, float], None] = connect, *, timeout_s: float = 8.0
) -> Sequence[Finding]:
    """Whether each sink's peer can be reached."""
    lines = []
    for peer in peers:
        about, where = f"sink {peer.name}", f"{peer.host}:{peer.port}"
        try:
            open_connection(peer, timeout_s)
        except ssl.SSLCertVerificationError as error:
            remedy = "see that address and clock are right; give ca_file for an authority of your own"
            lines.append(
                bad(about, f"{where}: its certificate is not believed: {error.verify_message}", remedy)
            )
        except socket.gaierror:
            lines.append(bad(about, f"{where}: no such name", "check its address, and the network's DNS"))
        except OSError as error:
            why = "no answer" if isinstance(error, TimeoutError) else (error.strerror or str(error)).lower()
            remedy = "see that it runs and may be reached from here; alerts wait until then"
            lines.append(look(about, f"{where}: {why}", remedy))
        else:
            lines.append(good(about, f"{where} answers; nothing was sent"))
    return lines or [look("sinks", "the box file has none, so nothing is sent", "add a [[sink]]")]


def secret_lines(resolvers: Sequence[tuple[str, str, Callable[[], object]]]) -> Sequence[Finding]:
    """Whether each secret is there: (sink, where it is, a function that fetches it). It is never shown."""
    lines = []
    for sink, where, fetch in resolvers:
        about = f"secret of {sink}"
        try:
            fetch()
        except SinkError as error:
            # The service does not start without it. A survey by hand is given no credentials, so
            # the remedy says how it finds them.
            remedy = error.remedy
            if where.startswith("credential:"):
                remedy += "; a survey by hand finds those in /etc/dooryard/secrets: run it with sudo"
            lines.append(bad(about, error.what, remedy))
        else:
            lines.append(good(about, f"{where} is there"))
    return lines


def network_lines(root: Path) -> Sequence[Finding]:
    """Whether there is a way out (the kernel's routing tables, proc(5))."""
    if _has_default(root / "proc/net/route", 1, "00000000") or _has_default(
        root / "proc/net/ipv6_route", 0, "0" * 32
    ):
        return [good("network", "there is a way out")]
    remedy = "join the Wi-Fi or plug in a cable; until then alerts wait on the box"
    return [look("network", "there is no way out: no default route", remedy)]


def _has_default(path: Path, column: int, destination: str) -> bool:
    if not path.exists():
        return False
    rows = [row.split() for row in path.read_text(encoding="ascii").splitlines()]
    return any(
        len(row) > column and row[column] == destination and "lo" not in (row[0], row[-1]) for row in rows
    )
