"""The demonstration's receivers, as processes."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import requests

from dooryard.sinks.base import SendOutcome, Sink
from dooryard.sinks.email import EmailSink
from dooryard.sinks.webhook import WebhookSink
from unit.outbox.builders import JPEG, alert, visit

TOOL = Path(__file__).parents[2] / "tools" / "peers.py"
TOLD = [alert(1, visit(1), title="a house finch at Alder Row – ü"), alert(2)]

pytestmark = pytest.mark.process


@contextmanager
def peer(kind: str, folder: Path) -> Iterator[int]:
    command = [sys.executable, "-W", "error", str(TOOL), kind, str(folder)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        word, port = process.stdout.readline().split()
        assert word == "listening"
        try:
            yield int(port)
        finally:
            process.terminate()
            assert process.wait(10) == 0


def sink(kind: str, port: int) -> Sink:
    if kind == "webhook":
        return WebhookSink("phone", f"http://127.0.0.1:{port}/", now=time.time)
    return EmailSink(
        "post",
        "127.0.0.1",
        port,
        sender="box@alder-row.example",
        recipients=["robin@alder-row.example"],
        security="none",
        now=time.time,
    )


@pytest.mark.parametrize("kind", ["webhook", "mail"])
def test_what_arrives_is_written_down_with_its_picture(tmp_path: Path, kind: str) -> None:
    with peer(kind, tmp_path / "in") as port:
        way = sink(kind, port)
        answers = [way.send(TOLD[0], JPEG), way.send(TOLD[0], JPEG), way.send(TOLD[1], None)]
    assert [answer.outcome for answer in answers] == [SendOutcome.SENT] * 3
    lines: list[dict[str, Any]] = [
        json.loads(line) for line in (tmp_path / "in/received.jsonl").read_text(encoding="utf-8").splitlines()
    ]
    assert [line["id"] for line in lines] == [TOLD[0].id, TOLD[0].id, TOLD[1].id]
    assert lines[0]["title"] == TOLD[0].title
    assert lines[0]["picture_sha256"] == hashlib.sha256(JPEG).hexdigest()
    assert (tmp_path / "in" / lines[0]["picture"]).read_bytes() == JPEG
    assert lines[2]["picture"] is lines[2]["picture_sha256"] is None
    assert len(list((tmp_path / "in").glob("*.eml"))) == (2 if kind == "mail" else 0)


def test_what_is_no_event_is_refused(tmp_path: Path) -> None:
    with peer("webhook", tmp_path) as port:
        for body in (
            b"not json",
            b"[]",
            b"{}",
            b"\xff",
            b'{"id": 1, "data": {"title": "x", "picture": {"base64": 5}}}',
        ):
            reply = requests.post(f"http://127.0.0.1:{port}/", data=body, timeout=5)
            assert reply.status_code == 400
    assert not (tmp_path / "received.jsonl").exists()
