"""The survey: each check with a thing that is well, one that is odd, and one that is broken."""

from __future__ import annotations

import json
import os
import socket
import ssl
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from gpiozero.pins.mock import MockFactory

from dooryard.box.file import parse_box
from dooryard.box.sensors import build
from dooryard.button.press import PressSettings
from dooryard.button.push import PushButton
from dooryard.camera.fake import FakeCamera
from dooryard.classify.onnx import OnnxClassifier
from dooryard.core.clock import FakeClock, SystemClock
from dooryard.core.errors import CameraError, SinkError
from dooryard.policy.schema import Policy
from dooryard.sensors.base import Unit
from dooryard.sensors.fake import FakeSensor
from dooryard.sensors.kinds import Machine
from dooryard.service.build import sinks as build_sinks
from dooryard.survey.assemble import checks, peers
from dooryard.survey.camera import camera_lines, picture_lines
from dooryard.survey.lines import Check, Finding, Report, Verdict, bad, good, look, survey
from dooryard.survey.machine import card_lines, clock_lines, disk_lines, permission_lines
from dooryard.survey.model import model_lines
from dooryard.survey.outside import (
    Peer,
    button_lines,
    connect,
    network_lines,
    secret_lines,
    sensor_lines,
    sink_lines,
)
from fakes.sensors import asked
from fakes.sysfs_tree import whole_board

GOOD, LOOK, BAD = Verdict.GOOD, Verdict.LOOK, Verdict.BAD


def verdicts(lines: Sequence[Finding]) -> list[Verdict]:
    return [line.verdict for line in lines]


def write(root: Path, path: str, text: str) -> Path:
    file = root / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, encoding="utf-8")
    return file


def test_the_report():
    report = Report(
        (good("clock", "set"), look("focus", "soft", "wipe it"), bad("disk", "full", "make room"))
    )
    assert report.text() == (
        "good  clock  set\n"
        "look  focus  soft\n"
        "               to do: wipe it\n"
        "bad   disk   full\n"
        "               to do: make room\n"
        "1 good, 1 look, 1 bad"
    )
    assert report.exit_code == 1
    assert Report(report.lines[:2]).exit_code == 0
    body = json.loads(report.json())
    assert body["exit_code"] == 1
    assert body["lines"][1] == {"about": "focus", "verdict": "look", "text": "soft", "remedy": "wipe it"}


def test_whatever_is_not_good_has_a_remedy():
    with pytest.raises(ValueError, match="remedy"):
        Finding("disk", BAD, "full")
    with pytest.raises(ValueError, match="remedy"):
        Finding("disk", GOOD, "roomy", "nothing")


def test_a_check_that_fails_is_a_bad_line_and_the_rest_go_on():
    def no_camera() -> Sequence[Finding]:
        raise CameraError("no camera number 0 was found", "seat its ribbon")

    def fault() -> Sequence[Finding]:
        raise ZeroDivisionError("oh")

    told: list[Finding] = []
    report = survey(
        [Check("camera", no_camera), Check("disk", fault), Check("clock", lambda: [good("clock", "set")])],
        told.append,
    )
    assert report.lines == (
        bad("camera", "no camera number 0 was found", "seat its ribbon"),
        bad("disk", "ZeroDivisionError: oh", "this is a fault of the program: please report it"),
        good("clock", "set"),
    )
    assert tuple(told) == report.lines


def camera(script: str, clock: FakeClock, **options: Any) -> FakeCamera:
    return FakeCamera(script, clock=clock, repeat=True, frames_per_s=10.0, **options)


def test_a_camera_that_is_well():
    clock = FakeClock()
    lines = camera_lines(camera("f", clock), clock, 10.0)
    assert verdicts(lines)[:2] == [GOOD, GOOD]
    assert "10.0 frames a second" in lines[1].text


def test_a_camera_that_is_slower_than_asked_for():
    clock = FakeClock()
    lines = camera_lines(camera("f", clock), clock, 14.0)
    assert (lines[1].verdict, "14 were asked for" in lines[1].text) == (LOOK, True)
    assert camera_lines(camera("f", clock), clock, 40.0)[1].verdict is BAD


def test_a_camera_that_gives_nothing_or_stalls():
    clock = FakeClock()
    (line,) = camera_lines(FakeCamera("s" * 20, clock=clock), clock, 10.0)
    assert (line.verdict, line.text) == (BAD, "no frame came from fake camera")
    lines = camera_lines(camera("fffffsffff", clock), clock, 10.0, within_s=60.0)
    assert (lines[1].verdict, "no frame came for 2 s" in lines[1].text) == (LOOK, True)


def noise(low: int, high: int) -> np.ndarray:
    return np.random.default_rng(1).integers(low, high, (240, 320, 3)).astype(np.uint8)


@pytest.mark.parametrize(
    ("picture", "expected"),
    [
        (noise(60, 200), [GOOD, GOOD]),
        (np.full((240, 320, 3), 120, np.uint8), [LOOK, GOOD]),  # nothing to see: soft
        (noise(0, 12), [GOOD, LOOK]),
        (noise(245, 256), [GOOD, LOOK]),
    ],
)
def test_pictures(picture: np.ndarray, expected: list[Verdict]):
    found = verdicts(picture_lines(picture))
    assert found[1] is expected[1]
    if picture.std() > 10 or picture.std() == 0:
        assert found[0] is expected[0]


def test_the_model_names_the_drawn_bird():
    lines = model_lines(lambda: OnnxClassifier(None, threads=1), SystemClock(), slow_s=60.0)
    assert verdicts(lines) == [GOOD, GOOD], lines
    (slow,) = model_lines(lambda: OnnxClassifier(None, threads=1), SystemClock(), slow_s=0.0, looks=1)[1:]
    assert slow.verdict is LOOK


def test_a_model_that_knows_no_bird():
    class Blind:
        def warm_up(self) -> None: ...

        def look(self, frame, boxes):
            (sighting,) = real.look(frame, boxes)
            return (type("Blind", (), {"groups": {}})(),) if sighting else ()

    real = OnnxClassifier(None, threads=1)
    line = model_lines(Blind, SystemClock(), slow_s=60.0)[0]
    assert (line.verdict, line.text) == (BAD, "it takes the drawn bird for 'nobody' (0.00)")


def test_disk(tmp_path: Path):
    assert verdicts(disk_lines(tmp_path, SystemClock(), needs_mb=1.0))[0] is GOOD
    assert disk_lines(tmp_path, SystemClock(), needs_mb=1e12)[0].verdict is LOOK
    assert list(tmp_path.iterdir()) == []
    (line,) = disk_lines(tmp_path / "none", SystemClock(), needs_mb=1.0)
    assert (line.verdict, line.text) == (BAD, f"{tmp_path}/none, where the data goes, does not exist")


def test_a_disk_that_takes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    line = disk_lines(tmp_path, SystemClock(), needs_mb=1.0)[-1]
    assert (line.verdict, line.text) == (BAD, f"{tmp_path} cannot be written to: no space left on device")
    assert list(tmp_path.iterdir()) == []


def mounted(root: Path, options: str) -> None:
    write(root, "proc/mounts", f"/dev/root / ext4 rw 0 0\n/dev/mmcblk0p3 /var/lib ext4 {options} 0 0\n")


def test_a_card_without_signs_of_age(tmp_path: Path):
    mounted(tmp_path, "rw,noatime")
    write(tmp_path, "sys/fs/ext4/mmcblk0p2/errors_count", "0\n")
    write(tmp_path, "sys/bus/mmc/devices/mmc0:0001/life_time", "0x01 0x02\n")
    write(tmp_path, "sys/bus/mmc/devices/mmc0:0001/pre_eol_info", "0x01\n")
    assert verdicts(card_lines(tmp_path, Path("/var/lib/dooryard"))) == [GOOD]


def test_signs_of_a_failing_card(tmp_path: Path):
    mounted(tmp_path, "ro,noatime")
    write(tmp_path, "sys/fs/ext4/mmcblk0p2/errors_count", "7\n")
    write(tmp_path, "sys/bus/mmc/devices/mmc0:0001/life_time", "0x0a 0x02\n")
    write(tmp_path, "sys/bus/mmc/devices/mmc0:0001/pre_eol_info", "0x02\n")
    lines = card_lines(tmp_path, Path("/var/lib/dooryard"))
    assert verdicts(lines) == [BAD, LOOK, BAD]
    assert lines[0].text == "the file system on mmcblk0p2 has noted 7 errors"
    assert lines[1].text == "mmc0:0001 says that about 100 % of its life is used"
    assert lines[2].text == "/var/lib, where the data goes, is mounted read-only"
    assert verdicts(card_lines(tmp_path, Path("/srv"))) == [BAD, LOOK]  # another file system


def test_clock(tmp_path: Path):
    clock = FakeClock()
    assert verdicts(clock_lines(tmp_path, clock)) == [GOOD]
    (tmp_path / "run/systemd/timesync").mkdir(parents=True)
    assert verdicts(clock_lines(tmp_path, clock)) == [LOOK]
    write(tmp_path, "run/systemd/timesync/synchronized", "")
    assert verdicts(clock_lines(tmp_path, clock)) == [GOOD]


def test_permissions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    write(tmp_path, "dev/gpiochip0", "")
    write(tmp_path, "dev/i2c-1", "")
    assert verdicts(permission_lines(tmp_path, tmp_path)) == [GOOD]
    monkeypatch.setattr(os, "access", lambda path, _mode: "i2c" not in str(path))  # root may do anything
    (line,) = permission_lines(tmp_path, tmp_path)
    assert (line.verdict, "to the group i2c" in (line.remedy or "")) == (BAD, True)


def test_sensors():
    sensors = [FakeSensor("enclosure", Unit.CELSIUS, "0:31"), FakeSensor("moisture", Unit.PERCENT, "0:gone")]
    lines = sensor_lines(sensors, ["low-power: this board does not tell"], FakeClock())
    assert [(line.about, line.verdict) for line in lines] == [
        ("sensor enclosure", GOOD),
        ("sensor moisture", BAD),
        ("sensors", LOOK),
    ]


class Pressing(FakeClock):
    """While somebody waits, this presses a mock pin."""

    def __init__(self, factory: MockFactory, script: dict[int, str]) -> None:
        super().__init__()
        self.factory, self.script, self.waits = factory, script, 0

    def wait(self, event, timeout_s: float) -> bool:
        self.waits += 1
        action = self.script.get(self.waits)
        if action:
            getattr(self.factory.pin(17), action)()
            return True
        self.advance(timeout_s)
        return event.is_set()


@pytest.mark.parametrize(
    ("script", "verdict"),
    [
        ({1: "drive_low", 2: "drive_high"}, LOOK),  # a spike only
        ({}, LOOK),
        ({1: "drive_low"}, LOOK),  # held
        ({1: "drive_low", 3: "drive_high"}, GOOD),
    ],
)
def test_the_button_is_asked_for(script: dict[int, str], verdict: Verdict):
    factory = MockFactory()
    clock = Pressing(factory, script)
    asked: list[str] = []
    button = PushButton(17, clock, PressSettings(settle_s=0.03, hold_s=3.0), factory=factory)
    (line,) = button_lines(button, clock, asked.append)
    assert line.verdict is verdict, line
    assert asked == ["Press the button briefly, please (within 20 s) ..."]
    assert clock.waits < 60  # it sleeps until something is due
    factory.close()


def test_a_button_that_cannot_be_opened():
    clock = FakeClock()
    factory = MockFactory()
    other = PushButton(17, clock, factory=factory)
    other.tick()
    (line,) = button_lines(PushButton(17, clock, factory=factory), clock, print, within_s=600.0)
    assert line.verdict is BAD
    assert "already in use" in line.text
    other.stop()
    factory.close()


def test_a_button_whose_pin_does_not_open_in_time():
    """The pin library has more patience than the survey."""
    clock = FakeClock()
    factory = MockFactory()
    other = PushButton(17, clock, factory=factory)
    other.tick()
    (line,) = button_lines(PushButton(17, clock, factory=factory), clock, print, within_s=5.0)
    assert line.verdict is BAD
    assert line.text.startswith("its pin cannot be used: ")
    assert "already in use" in line.text
    other.stop()
    factory.close()


@pytest.mark.parametrize(
    ("name", "value", "verdict", "text"),
    [
        ("low-power", 0, GOOD, "the supply's voltage is normal"),
        ("low-power", 1, LOOK, "the supply's voltage is low"),
        ("slowed-down", 1, LOOK, "the processor slows itself down"),
        ("clock", 1, GOOD, "the clock has been set"),
        ("clock", 0, LOOK, "the clock has not been set"),
    ],
)
def test_flags_are_said_in_words(name: str, value: int, verdict: Verdict, text: str):
    (line,) = sensor_lines([FakeSensor(name, Unit.YES_NO, f"0:{value}")], [], FakeClock())
    assert (line.verdict, line.text) == (verdict, text)


def raising(error: OSError):
    def connecting(peer: Peer, timeout_s: float) -> None:
        raise error

    return connecting


def test_sinks():
    peer = Peer("phone", "hooks.alder-row.example", 443, encrypted_from_start=True)
    assert verdicts(sink_lines([peer], lambda *_: None)) == [GOOD]
    assert verdicts(sink_lines([])) == [LOOK]
    (line,) = sink_lines([peer], raising(socket.gaierror(-2, "Name or service not known")))
    assert (line.verdict, line.text) == (BAD, "hooks.alder-row.example:443: no such name")
    (line,) = sink_lines([peer], raising(ConnectionRefusedError(111, "Connection refused")))
    assert (line.verdict, line.text) == (LOOK, "hooks.alder-row.example:443: connection refused")
    (line,) = sink_lines([peer], raising(TimeoutError("timed out")))
    assert (line.verdict, line.text) == (LOOK, "hooks.alder-row.example:443: no answer")
    wrong = ssl.SSLCertVerificationError(1, "x")
    wrong.verify_message = "self-signed certificate"
    (line,) = sink_lines([peer], raising(wrong))
    assert (line.verdict, "self-signed" in line.text) == (BAD, True)


def test_a_real_connection_sends_nothing():
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(10.0)
        connect(Peer("phone", "127.0.0.1", server.getsockname()[1], encrypted_from_start=False), 5.0)
        accepted, _ = server.accept()
        with accepted:
            accepted.settimeout(10.0)
            assert accepted.recv(10) == b""


def test_secrets_are_never_shown():
    def missing() -> object:
        raise SinkError("the credential 'phone-secret' is wanted", "add LoadCredential=")

    lines = secret_lines(
        [
            ("phone", "env:TOKEN", lambda: "thistle"),
            ("phone", "credential:phone-secret", missing),
            ("post", "file:/x", missing),
        ]
    )
    assert verdicts(lines) == [GOOD, BAD, BAD]
    assert lines[1].remedy is not None
    assert "/etc/dooryard/secrets: run it with sudo" in lines[1].remedy
    assert "thistle" not in repr(lines)


ROUTES = (
    "Iface\tDestination\tGateway\tFlags\nwlan0\t00000000\t0100A8C0\t0003\nwlan0\t0000A8C0\t00000000\t0001\n"
)


def test_network(tmp_path: Path):
    assert verdicts(network_lines(tmp_path)) == [LOOK]
    write(tmp_path, "proc/net/route", ROUTES)
    assert verdicts(network_lines(tmp_path)) == [GOOD]
    write(tmp_path, "proc/net/route", "Iface\tDestination\nwlan0\t0000A8C0\n")
    gate = "fe80000000000000000000000000abcd"
    row = f"{'0' * 32} 00 {'0' * 32} 00 {gate} 00000400 00000001 00000000 00000003"
    write(tmp_path, "proc/net/ipv6_route", f"{row}       lo\n")
    assert verdicts(network_lines(tmp_path)) == [LOOK]  # the kernel's own, which leads nowhere
    write(tmp_path, "proc/net/ipv6_route", f"{row}    wlan0\n")
    assert verdicts(network_lines(tmp_path)) == [GOOD]


BOX = """
state_folder = "state"
[camera]
kind = "fake"
live = false
[[sink]]
kind = "webhook"
name = "phone"
url = "http://127.0.0.1:9/feeder"
secret = "credential:phone-secret"
[[sink]]
kind = "email"
name = "post"
host = "127.0.0.1"
security = "none"
from = "box@alder-row.example"
to = "robin@alder-row.example"
[[sink]]
kind = "memory"
name = "trial"
"""


def test_a_whole_survey_on_a_machine_without_a_board(tmp_path: Path):
    """Everything is real but the camera: a laptop's survey."""
    (tmp_path / "state").mkdir()
    root = tmp_path / "root"
    whole_board(root)
    mounted(root, "rw")
    box = parse_box(BOX, "box.toml").value
    built = build([asked("enclosure", "ds18b20")], Machine(root, tmp_path / "state"))
    write(tmp_path, "credentials/phone-secret", "thistle")
    environ = {"CREDENTIALS_DIRECTORY": str(tmp_path / "credentials")}
    report = survey(checks(box, tmp_path, Policy(), SystemClock(), environ, sensors=built, root=root))
    by_about = {line.about: line for line in report.lines}
    assert {"camera", "focus", "exposure", "model", "disk", "card", "clock", "permissions"} <= by_about.keys()
    assert by_about["sensor enclosure"].text == "31.2 °C"
    assert by_about["secret of phone"].verdict is GOOD
    assert by_about["sink phone"].verdict is LOOK  # nobody listens on port 9
    assert not [line for line in report.lines if line.verdict is BAD], report.text()
    assert report.exit_code == 0


def test_a_secret_that_is_missing_is_bad(tmp_path: Path):
    """As `run` refuses to start without it."""
    heartbeat = '[heartbeat]\naddress = "env:ALIVE"\n'
    box = parse_box(BOX + heartbeat, "box.toml").value
    built = build([], Machine(tmp_path, tmp_path))
    wanted = [
        check
        for check in checks(box, tmp_path, Policy(), SystemClock(), {}, sensors=built)
        if check.about == "secrets"
    ]
    report = survey(wanted)
    assert [(line.about, line.verdict) for line in report.lines] == [
        ("secret of phone", BAD),
        ("secret of the heartbeat", BAD),
    ]
    assert report.exit_code == 1
    with pytest.raises(SinkError):
        build_sinks(box, tmp_path, {})


def test_a_box_whose_only_sink_stays_within_it(tmp_path: Path):
    box = parse_box('[[sink]]\nkind = "memory"\nname = "trial"\n', "box.toml").value
    found = checks(box, tmp_path, Policy(), SystemClock(), {}, sensors=build([], Machine(tmp_path, tmp_path)))
    (line,) = survey([check for check in found if check.about == "sinks"]).lines
    assert line.verdict is GOOD


def test_whom_the_sinks_talk_to(tmp_path: Path):
    box = parse_box(BOX.replace("http://127.0.0.1:9", "https://hooks.alder-row.example"), "box.toml").value
    assert peers(box, tmp_path) == [
        Peer("phone", "hooks.alder-row.example", 443, encrypted_from_start=True),
        Peer("post", "127.0.0.1", 25, encrypted_from_start=False),
    ]
