"""Runs the daemon as a process, on a short recording of the simulated garden."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from dooryard.camera.base import EndOfFramesError
from dooryard.camera.garden.settings import AFTERNOON, Feeder, GardenSettings, RequestedVisit
from dooryard.camera.scene import SceneCamera
from dooryard.core.records import Box, Picture
from dooryard.imaging.jpeg import encode

TOOLS = Path(__file__).resolve().parent.parent / "tools"
GARDEN = GardenSettings(
    seed=11,
    start=AFTERNOON,
    duration_s=60.0,
    wind_m_s=2.0,
    feeder=Feeder.TRAY,
    visits=(
        RequestedVisit("grey squirrel", 18.0, 9.0, place=0.30),
        RequestedVisit("mallard", 36.0, 9.0, place=0.62, enters=1),
        RequestedVisit("grey squirrel", 51.0, 7.0, place=0.40),
    ),
)
POLICY = """
[place]
name = "Alder Row"
time_zone = "Europe/London"

[[rule]]
name = "anybody"
visitor = ["anything"]
sure = 0.4
cooldown_min = 0
"""


def paint(folder: Path) -> Path:
    """Write the recording; about a second."""
    folder.mkdir()
    camera = SceneCamera(GARDEN)
    camera.open()
    while True:
        try:
            frame = camera.read(1.0)
        except EndOfFramesError:
            return folder
        picture = Picture(frame.number, frame.wall, frame.large(), Box(0, 0, 1, 1))
        (folder / f"{frame.number:05d}.jpg").write_bytes(encode(picture, "Alder Row, simulated"))


def write_files(home: Path, recording: Path, sinks: str, camera: str | None = None) -> None:
    """Write box.toml and policy.toml into `home`."""
    table = camera or f'kind = "folder"\nfolder = "{recording}"\n'
    (home / "box.toml").write_text(f'name = "alder-row"\n[camera]\n{table}\n{sinks}')
    (home / "policy.toml").write_text(POLICY)


@contextmanager
def receiver(folder: Path) -> Iterator[tuple[str, Path]]:
    """A real receiver on loopback: its [[sink]], and the file that it writes."""
    command = [sys.executable, str(TOOLS / "peers.py"), "webhook", str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    port = process.stdout.readline().split()[1]
    try:
        yield (
            f'[[sink]]\nname = "phone"\nkind = "webhook"\nurl = "http://127.0.0.1:{port}/"\n',
            folder / "received.jsonl",
        )
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


def start(home: Path, **environ: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "dooryard", "run",
               "--box", str(home / "box.toml"), "--policy", str(home / "policy.toml")]  # fmt: skip
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ, **environ}
    )


def run(home: Path, timeout_s: float = 400, **environ: str) -> subprocess.CompletedProcess[str]:
    """Run to the end."""
    process = start(home, **environ)
    try:
        out, err = process.communicate(timeout=timeout_s)
    finally:
        process.kill()
    return subprocess.CompletedProcess(process.args, process.returncode, out, err)


def rows(home: Path, query: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(home / "state" / "dooryard.sqlite3")) as db:
        return db.execute(query).fetchall()
