"""The demo: runs the daemon on the simulated afternoon and compares truth, store and what arrived.

Exit code 0 only if every alert that the store holds arrived at its peer, once told under its id, with
the very picture that was stored.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from demo_report import report
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.garden.families import alder_row_afternoon
from dooryard.camera.scene import SceneCamera
from dooryard.core.records import Box, Picture
from dooryard.imaging.jpeg import encode

HERE = Path(__file__).resolve().parent
OUT = HERE.parent / "demo-out"
LIMIT_S = 600.0


def main() -> int:
    arguments = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    arguments.add_argument("--go-on", action="store_true", help="go on with the state of an interrupted run")
    arguments.add_argument("--out", type=Path, default=OUT, help="where to write (default: demo-out)")
    chosen = arguments.parse_args()
    out: Path = chosen.out.resolve()
    if not chosen.go_on:
        shutil.rmtree(out, ignore_errors=True)
    out.mkdir(parents=True, exist_ok=True)
    print("Alder Row, 14 June 2026, from 14:00: a gusty afternoon, simulated. The garden is painted by a")
    print("program; the gate, the model, the policy, the store and the deliveries are the real ones.\n")
    paint(out / "recording")
    began = time.monotonic()
    with peer("webhook", out) as web_port, peer("mail", out) as mail_port:
        (out / "box.toml").write_text(box_text(web_port, mail_port))
        shutil.copyfile(HERE / "demo_policy.toml", out / "policy.toml")
        code = watch(out)
    if code != 0:
        print(f"\nThe daemon ended with exit code {code}; its log is {out / 'daemon.log'}", file=sys.stderr)
        return 1
    print(f"\n  watched four and a half minutes in {time.monotonic() - began:.0f} s\n")
    return report(out)


def paint(folder: Path) -> None:
    """Paint the afternoon, once, as a camera could have recorded it: JPEG frames with EXIF times."""
    camera = SceneCamera(alder_row_afternoon())
    count = camera.plan.settings.frame_count
    folder.mkdir(exist_ok=True)
    have = len(list(folder.glob("*.jpg")))  # an interrupted painting goes on
    camera.open(camera.plan.wall(have - 1) if have else None)
    while True:
        try:
            frame = camera.read(1.0)
        except EndOfFramesError:
            break
        picture = Picture(frame.number, frame.wall, frame.large(), Box(0, 0, 1, 1))
        part = folder / f"{frame.number:05d}.part"
        part.write_bytes(encode(picture, "Alder Row, simulated"))
        part.rename(part.with_suffix(".jpg"))
        if sys.stdout.isatty() or frame.number % 450 == 449:
            end = "" if sys.stdout.isatty() else "\n"
            print(f"\r  painting the afternoon: {frame.number + 1} of {count} frames", end=end, flush=True)
    if sys.stdout.isatty():
        print()


@contextlib.contextmanager
def peer(kind: str, out: Path) -> Iterator[int]:
    """Start a receiver as a process of its own, yield its port, and end it."""
    command = [sys.executable, str(HERE / "peers.py"), kind, str(out / kind), "--with-parent"]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline().split()
        if len(line) != 2 or line[0] != "listening":
            raise SystemExit(f"the {kind} receiver did not start")
        yield int(line[1])
    finally:
        process.terminate()
        process.wait(10)
        for pipe in (process.stdin, process.stdout):
            if pipe:
                pipe.close()


def box_text(web_port: int, mail_port: int) -> str:
    return f"""# The box of the demo: the painted afternoon is its camera.
name = "alder-row"
state_folder = "state"

[camera]
kind = "folder"
folder = "recording"

[[sink]]
name = "phone"
kind = "webhook"
url = "http://127.0.0.1:{web_port}/"

[[sink]]
name = "post"
kind = "email"
host = "127.0.0.1"
port = {mail_port}
security = "none"
from = "dooryard@alder-row.example"
to = ["gardener@alder-row.example"]
"""


def watch(out: Path) -> int:
    """Run the daemon to the end of the afternoon, showing what it says of itself. Returns its exit code."""
    address = out / "notify"
    address.unlink(missing_ok=True)
    with contextlib.closing(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)) as heard:
        heard.bind(_short(address))
        heard.settimeout(0.5)
        policy = out / "policy.toml"
        command = [sys.executable, "-m", "dooryard", "run",
                   "--box", str(out / "box.toml"), "--policy", str(policy)]  # fmt: skip
        environ = {**os.environ, "NOTIFY_SOCKET": _short(address)}
        with (out / "daemon.log").open("a") as log:
            daemon = subprocess.Popen(command, stderr=log, stdout=log, env=environ)
            try:
                return follow(daemon, heard)
            finally:
                if daemon.poll() is None:
                    daemon.send_signal(signal.SIGTERM)
                    daemon.wait(30)


def _short(path: Path) -> str:
    """A socket's address holds about a hundred bytes: the shorter of the absolute and the relative path."""
    return min(str(path), os.path.relpath(path), key=len)


def follow(daemon: subprocess.Popen[bytes], heard: socket.socket) -> int:
    """Show the daemon's status line until it ends."""
    deadline = time.monotonic() + LIMIT_S
    live = sys.stdout.isatty()
    shown_at = 0.0
    while daemon.poll() is None and time.monotonic() < deadline:
        try:
            message = heard.recv(4096).decode()
        except TimeoutError:
            continue
        status = next((s[7:] for s in message.split("\n") if s.startswith("STATUS=")), None)
        if status and (live or time.monotonic() - shown_at > 10):
            shown_at = time.monotonic()
            print(f"\r  {status:<100}" if live else f"  {status}", end="" if live else "\n", flush=True)
    if daemon.poll() is None:
        raise SystemExit(f"the daemon did not end within {LIMIT_S:.0f} s")
    if live:
        print()
    return daemon.returncode


if __name__ == "__main__":
    raise SystemExit(main())
