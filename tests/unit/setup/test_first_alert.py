"""From nothing to the first alert: `dooryard setup` with its answers as flags, then `dooryard run`."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

import daemon_runs

pytestmark = pytest.mark.process


@contextmanager
def receiver() -> Iterator[tuple[str, list[tuple[dict[str, str], bytes]]]]:
    """An HTTP server of Python's own. Yields its address and what it was sent: headers and body."""
    sent: list[tuple[dict[str, str], bytes]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            sent.append((dict(self.headers), self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/feeder", sent
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def dooryard(folder: Path, *words: str) -> str:
    ran = subprocess.run(
        [sys.executable, "-m", "dooryard", *words],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        text=True,
        timeout=400,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout


def test_two_commands_end_with_text_and_picture_in_one_push(tmp_path: Path) -> None:
    recording = daemon_runs.paint(tmp_path / "recording")
    with receiver() as (address, sent):
        answers = {
            "name": "Alder Row", "where": "Oxford, GB", "tell": "bird, squirrel", "quiet": "never",
            "camera": "folder", "recording": str(recording), "push": address, "folder": "first",
        }  # fmt: skip
        flags = [word for name, answer in answers.items() for word in (f"--{name}", answer)]
        said = dooryard(tmp_path, "setup", "--yes", "--no-try", *flags)
        assert "dooryard run --box" in said
        assert sent == []  # nothing was tried, as it was told
        assert "without problems" in dooryard(tmp_path, "check", "first/box.toml", "first/policy.toml")
        dooryard(tmp_path, "run", "--box", "first/box.toml", "--policy", "first/policy.toml")
    headers, body = sent[0]
    assert headers["Content-Type"] == "image/jpeg"
    assert "Alder Row" in headers["Title"]
    assert "sure; came" in headers["Message"]
    with Image.open(BytesIO(body)) as picture:
        picture.load()
        assert min(picture.size) > 100
    assert len(sent) == len({each["Message"] for each, _ in sent})
