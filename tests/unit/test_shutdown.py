"""The orderly halt."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.core.clock import FakeClock, SystemClock
from dooryard.service.shutdown import (
    POWER_OFF,
    Action,
    Halted,
    ShutdownStage,
    Stage,
    carry_out,
    plan,
    power_off,
)

PUT_RULE = "put systemd/50-dooryard.rules into /etc/polkit-1/rules.d"
FAKE_LOGIND = Path(__file__).with_name("fake_logind.py")


def noting(done: list[Stage], faults: dict[Stage, str | Exception] | None = None) -> dict[Stage, Action]:
    """Actions that note that they were done, and fail where told to."""

    def action(stage: Stage) -> Action:
        def do(within_s: float) -> str | None:
            assert within_s > 0
            done.append(stage)
            fault = (faults or {}).get(stage)
            if isinstance(fault, Exception):
                raise fault
            return fault

        return do

    return {stage: action(stage) for stage in Stage}


def test_the_order():
    assert [step.stage for step in plan()] == [
        Stage.END_VISITS,
        Stage.STORE_STATE,
        Stage.TELL,
        Stage.SYNC_VISITS,
        Stage.STOP_CAMERA,
        Stage.FLUSH,
        Stage.CLOSE_STORE,
        Stage.SYNC,
        Stage.POWER_OFF,
    ]


@given(st.floats(min_value=0.1, max_value=300.0), st.booleans())
def test_laws_of_the_plan(flush_s: float, off: bool):
    """Stored before sent; on the card before the camera is touched; off last, if at all; all bounded."""
    stages = [step.stage for step in plan(flush_s=flush_s, power_off=off)]
    assert stages.index(Stage.END_VISITS) < stages.index(Stage.TELL) < stages.index(Stage.FLUSH)
    assert stages.index(Stage.TELL) < stages.index(Stage.SYNC_VISITS) < stages.index(Stage.STOP_CAMERA)
    assert stages.index(Stage.CLOSE_STORE) < stages.index(Stage.SYNC)
    assert (stages[-1] is Stage.POWER_OFF) == off
    assert stages.count(Stage.POWER_OFF) == off
    assert all(0 < step.within_s <= max(20.0, flush_s) for step in plan(flush_s=flush_s))
    assert {step.stage: step.within_s for step in plan(flush_s=flush_s)}[Stage.FLUSH] == flush_s


def test_all_is_done_in_order():
    done: list[Stage] = []
    halted = carry_out(plan(), noting(done), FakeClock())
    assert done == list(Stage)
    assert halted.faults == ()
    assert halted.powering_off


@given(st.sets(st.sampled_from(Stage)))
def test_whatever_fails_the_rest_is_done(failing: set[Stage]):
    done: list[Stage] = []
    faults: dict[Stage, str | Exception] = {
        stage: "the disk is full" if index % 2 else OSError(5, "Input/output error")
        for index, stage in enumerate(sorted(failing))
    }
    halted = carry_out(plan(), noting(done, faults), FakeClock())
    assert done == list(Stage)
    assert len(halted.faults) == len(failing)
    assert halted.powering_off == (Stage.POWER_OFF not in failing)


def test_a_step_that_hangs_is_left_behind_and_named():
    go_on = threading.Event()
    done: list[Stage] = []
    actions = noting(done)

    def hang(_within_s: float) -> None:
        go_on.wait(30.0)

    actions[Stage.STOP_CAMERA] = hang
    steps = tuple(
        ShutdownStage(step.stage, 0.05 if step.stage is Stage.STOP_CAMERA else step.within_s)
        for step in plan()
    )
    halted = carry_out(steps, actions, SystemClock())
    go_on.set()
    assert halted.faults == ("stop the camera: not done in 0.05 s",)
    assert done == [stage for stage in Stage if stage is not Stage.STOP_CAMERA]
    assert halted.powering_off


def test_a_missing_action_is_found_before_anything_is_done():
    done: list[Stage] = []
    actions = noting(done)
    del actions[Stage.SYNC]
    with pytest.raises(KeyError):
        carry_out(plan(), actions, FakeClock())
    assert done == []


def test_without_power_off_the_board_stays_on():
    done: list[Stage] = []
    assert not carry_out(plan(power_off=False), noting(done), FakeClock()).powering_off
    assert Stage.POWER_OFF not in done
    assert not Halted(()).powering_off


def program(folder: Path, text: str) -> list[str]:
    path = folder / "busctl"
    path.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    path.chmod(0o755)
    return [str(path), *POWER_OFF[1:]]


@pytest.mark.process
@pytest.mark.parametrize(
    ("script", "answer"),
    [
        ("exit 0", None),
        (
            "echo 'Call failed: Access denied' >&2; exit 1",
            f"not allowed: Call failed: Access denied; {PUT_RULE}",
        ),
        (
            "echo 'Call failed: Interactive authentication required.' >&2; exit 1",
            f"not allowed: Call failed: Interactive authentication required.; {PUT_RULE}",
        ),
        ("exit 3", "exit status 3"),
        ("exec sleep 60", "logind did not answer within 0.2 s"),
    ],
)
def test_what_logind_may_answer(tmp_path: Path, script: str, answer: str | None):
    within_s = 0.2 if "sleep" in script else 10.0
    assert power_off(within_s, command=program(tmp_path, script)) == answer


def test_no_busctl():
    answer = power_off(1.0, command=["/nonexistent/busctl"])
    assert answer == "/nonexistent/busctl cannot be run: No such file or directory; install systemd"


@pytest.fixture
def bus(tmp_path: Path) -> Iterator[str]:
    """A message bus of our own; its address."""
    daemon = shutil.which("dbus-daemon")
    if daemon is None or shutil.which("busctl") is None:
        pytest.skip("dbus-daemon or busctl is not installed: the real busctl is NOT tried")
    config = tmp_path / "bus.conf"
    config.write_text(
        f"""<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
        "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
        <busconfig><type>system</type><listen>unix:path={tmp_path}/bus</listen><auth>EXTERNAL</auth>
        <policy context="default"><allow send_destination="*"/><allow receive_sender="*"/><allow own="*"/>
        <allow user="*"/></policy></busconfig>""",
        encoding="utf-8",
    )
    with subprocess.Popen(
        [daemon, f"--config-file={config}", "--nofork", "--print-address"], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        yield address
        process.terminate()


@pytest.mark.process
@pytest.mark.parametrize("allowed", [True, False])
def test_the_real_busctl_asks_a_logind_of_ours(bus: str, tmp_path: Path, allowed: bool):
    """The interface is org.freedesktop.login1(5): Manager.PowerOff(in b interactive)."""
    pytest.importorskip("jeepney", reason="jeepney is not installed: the real busctl is NOT tried")
    asked = tmp_path / "asked"
    with subprocess.Popen(
        [sys.executable, str(FAKE_LOGIND), bus, str(asked), "yes" if allowed else "no"],
        stdout=subprocess.PIPE,
        text=True,
    ) as logind:
        assert logind.stdout is not None
        assert logind.stdout.readline() == "ready\n"
        before = os.environ.get("DBUS_SYSTEM_BUS_ADDRESS")
        os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = bus
        try:
            answer = power_off(10.0)
        finally:
            if before is None:
                del os.environ["DBUS_SYSTEM_BUS_ADDRESS"]
            else:
                os.environ["DBUS_SYSTEM_BUS_ADDRESS"] = before
        assert logind.wait(10.0) == 0
    assert asked.read_text() == "PowerOff (False,)"
    if allowed:
        assert answer is None
    else:
        assert answer is not None
        assert answer.startswith("not allowed: ")
