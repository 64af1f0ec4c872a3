"""No process of ours looks up or connects to anything but the receivers that its box file names.

Every packet is heard, in a network made for the test (tests/servers/alone.py). The processes live 25 s of
real time, because a library that reports to its maker does so some while after it was loaded: onnxruntime
1.32 looked its collector up after 9 s (measured). The controls show that the check would notice.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import daemon_runs
from dooryard.classify import runtime

pytestmark = pytest.mark.process
ALONE = Path(__file__).parents[1] / "servers" / "alone.py"
MODEL = Path(runtime.__file__).with_name("models") / "lite0.onnx"
LIVE_S = 25
SCENE = 'kind = "scene"\nseconds = 7200.0\n'
PHONE = '[[sink]]\nname = "phone"\nkind = "webhook"\nurl = "http://127.0.0.1:PORT/"\n'
LOOKUP = "udp 127.0.0.1:53"
UNSILENCED = f"""
import onnxruntime, threading
session = onnxruntime.InferenceSession({str(MODEL)!r}, providers=["CPUExecutionProvider"])
threading.Event().wait()
"""


class Alone:
    """A command that runs alone."""

    def __init__(self, home: Path, *command: str, seconds: float = LIVE_S, until_sent: bool = False) -> None:
        self.home = home
        self.own = home / "own"  # the process's home folder: who reports to his maker may keep an id there
        self.own.mkdir()
        kept_back = (runtime.SWITCH, "XDG_CACHE_HOME", "CI")  # the library is silent where CI is set
        environ = {name: value for name, value in os.environ.items() if name not in kept_back}
        self._process = subprocess.Popen(
            ["unshare", "--net", "--mount", sys.executable, str(ALONE), str(home), str(seconds), *command],
            stdout=subprocess.PIPE,
            text=True,
            env=environ | {"HOME": str(self.own)} | ({"ALONE_UNTIL_SENT": "1"} if until_sent else {}),
        )

    def result(self) -> dict[str, Any]:
        out, _ = self._process.communicate(timeout=400)
        assert self._process.returncode == 0, self.said()
        found: dict[str, Any] = json.loads(out)
        return found

    def said(self) -> str:
        return (self.home / "said").read_text()


@pytest.fixture(scope="module")
def walls() -> None:
    if os.geteuid() != 0 or not shutil.which("ip") or not shutil.which("unshare"):
        pytest.skip("needs root, ip and unshare: that nothing else leaves the box is NOT tried")
    if subprocess.run(["unshare", "--net", "--mount", "true"], capture_output=True, check=False).returncode:
        pytest.skip("no network of its own can be had here: that nothing else leaves the box is NOT tried")


@pytest.fixture(scope="module")
def lives(walls, tmp_path_factory) -> dict[str, Alone]:
    """The three that live long, at the same time."""
    homes = {name: tmp_path_factory.mktemp(name) for name in ("run", "rehearse", "unsilenced")}
    daemon_runs.write_files(homes["run"], Path("/nonexistent"), PHONE, camera=SCENE)
    daemon_runs.write_files(homes["rehearse"], Path("/nonexistent"), PHONE.replace("PORT", "9"), camera=SCENE)
    (homes["rehearse"] / "box.toml").rename(homes["rehearse"] / "recording.toml")  # no event is awaited
    dooryard = (sys.executable, "-m", "dooryard")
    box, policy = (str(homes["run"] / name) for name in ("box.toml", "policy.toml"))
    recording, tried = (str(homes["rehearse"] / name) for name in ("recording.toml", "policy.toml"))
    return {
        "run": Alone(homes["run"], *dooryard, "run", "--box", box, "--policy", policy),
        "rehearse": Alone(homes["rehearse"], *dooryard, "rehearse", recording, "--policy", tried),
        "unsilenced": Alone(
            homes["unsilenced"], sys.executable, "-c", UNSILENCED, seconds=120, until_sent=True
        ),
    }  # fmt: skip


def test_the_daemon_sends_to_its_receiver_and_to_nobody_else(lives):
    daemon = lives["run"]
    result = daemon.result()
    assert not result["ended"], daemon.said()
    assert result["loaded"]
    assert (daemon.home / "received" / "received.jsonl").exists(), daemon.said()
    assert result["sent"] == [result["peer"]]
    assert list(daemon.own.iterdir()) == []


def test_a_rehearsal_sends_nothing(lives):
    rehearsal = lives["rehearse"]
    result = rehearsal.result()
    assert not result["ended"], rehearsal.said()
    assert result["loaded"]
    assert result["sent"] == []
    assert list(rehearsal.own.iterdir()) == []


def test_control_the_library_that_was_not_silenced_is_noticed(lives):
    result = lives["unsilenced"].result()
    libraries = (Path(runtime.load().__file__).parent / "capi").glob("onnxruntime_pybind11_state*.so")
    if not any(runtime.SWITCH.encode() in file.read_bytes() for file in libraries):
        pytest.skip("this release of onnxruntime has no telemetry client: the control by it is NOT tried")
    assert LOOKUP in result["sent"]
    assert list(lives["unsilenced"].own.iterdir()) != []


@pytest.mark.parametrize(
    ("program", "noticed"),
    [
        ("socket.getaddrinfo('collector.alder-row.example', 443)", LOOKUP),
        ("socket.create_connection(('192.0.2.7', 443))", "tcp 192.0.2.7:443"),  # RFC 5737's addresses
        ("socket.socket(type=socket.SOCK_DGRAM).sendto(b'x', ('198.51.100.7', 123))", "udp 198.51.100.7:123"),
        ("socket.create_connection(('2001:db8::7', 443))", "tcp 2001:db8::7:443"),  # RFC 3849's
        ("socket.create_connection(('127.0.0.1', 9))", "tcp 127.0.0.1:9"),
    ],
)  # fmt: skip
def test_control_a_process_that_sends_is_noticed(walls, tmp_path, program, noticed):
    result = Alone(tmp_path, sys.executable, "-c", f"import socket; {program}").result()
    assert noticed in result["sent"]


def test_control_a_process_that_sends_nothing_is_heard_sending_nothing(walls, tmp_path):
    assert Alone(tmp_path, sys.executable, "-c", "pass").result()["sent"] == []
