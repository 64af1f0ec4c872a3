"""A plain receiver for a demonstration or a test: ``python tools/peers.py webhook|mail FOLDER``.

It takes a free port on 127.0.0.1 and prints ``listening PORT``. Each event or mail that arrives becomes a
line of JSON in FOLDER/received.jsonl (id, title, picture, picture_sha256, time) and its picture a file
beside it, FOLDER/ID.jpg; a mail is kept as it came, too, in FOLDER/ID.eml. An id that comes again gives
another line: the receiver hides no repeats. SIGTERM or SIGINT ends it, and with --with-parent the end of
whoever started it, however that came about.

The webhook peer needs only Python; the mail peer needs the package aiosmtpd as well.
"""

from __future__ import annotations

import argparse
import asyncio
import base64
import binascii
import hashlib
import json
import signal
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

HOST = "127.0.0.1"
LONGEST_BODY_BYTES = 32 * 1024 * 1024


@dataclass(frozen=True)
class Received:
    """One event or mail."""

    id: str
    title: str
    picture: bytes | None
    raw: bytes | None = None  # a mail as it came


class Keeper:
    """Writes down what arrives; several connections may do so at once."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._turn = threading.Lock()

    def keep(self, received: Received) -> None:
        """Write the files first and the line last: who reads the line finds the files whole."""
        name = "".join(c for c in received.id if c.isalnum() or c in "-_")[:80] or "no-id"
        with self._turn:
            if received.picture is not None:
                (self._folder / f"{name}.jpg").write_bytes(received.picture)
            if received.raw is not None:
                (self._folder / f"{name}.eml").write_bytes(received.raw)
            picture = received.picture
            line = {
                "id": received.id,
                "title": received.title,
                "picture": f"{name}.jpg" if picture is not None else None,
                "picture_sha256": hashlib.sha256(picture).hexdigest() if picture is not None else None,
                "time": datetime.now(UTC).isoformat(timespec="milliseconds"),
            }
            with (self._folder / "received.jsonl").open("a", encoding="utf-8") as file:
                file.write(json.dumps(line, ensure_ascii=False) + "\n")


def event_of(body: bytes) -> Received:
    """Read a CloudEvents JSON body. Raises ValueError when it is none."""
    try:
        event: Any = json.loads(body)
        data = event["data"]
        picture = data["picture"]
        content = base64.b64decode(picture["base64"], validate=True) if picture else None
        return Received(str(event["id"]), str(data["title"]), content)
    except (KeyError, TypeError, binascii.Error, UnicodeDecodeError) as error:
        raise ValueError(f"not an event with a title and a picture: {type(error).__name__}") from error


def mail_of(raw: bytes) -> Received:
    """Read a mail; its id is what stands before the @ in the Message-ID."""
    message = message_from_bytes(raw, policy=policy.default)
    assert isinstance(message, EmailMessage)  # that policy makes no other
    pictures = [part.get_content() for part in message.walk() if part.get_content_type() == "image/jpeg"]
    message_id = str(message["Message-ID"] or "").strip().strip("<>").partition("@")[0]
    return Received(message_id, str(message["Subject"] or ""), pictures[0] if pictures else None, raw)


def webhook_peer(keeper: Keeper) -> tuple[int, Callable[[], None]]:
    """Start an HTTP receiver; return its port and how to stop it."""

    class Handler(BaseHTTPRequestHandler):
        timeout = 30

        def do_POST(self) -> None:
            length = int(self.headers.get("Content-Length") or 0)
            if not 0 < length <= LONGEST_BODY_BYTES:
                self.send_error(413 if length else 411)
                return
            try:
                keeper.keep(event_of(self.rfile.read(length)))
            except ValueError as error:
                self.send_error(400, str(error))
                return
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            """Standard error stays empty: the lines in the folder are the log."""

    server = ThreadingHTTPServer((HOST, 0), Handler)
    threading.Thread(target=server.serve_forever, daemon=True).start()

    def stop() -> None:
        server.shutdown()
        server.server_close()

    return server.server_address[1], stop


def mail_peer(keeper: Keeper) -> tuple[int, Callable[[], None]]:
    """Start a mail server; return its port and how to stop it."""
    from aiosmtpd.smtp import SMTP

    class Handler:
        async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:  # noqa: N802  (its name)
            keeper.keep(mail_of(envelope.original_content))
            return "250 taken"

    loop = asyncio.new_event_loop()
    handler = Handler()

    def session() -> Any:
        return SMTP(handler, hostname="peer.example", ident="dooryard peer", loop=loop)

    server = loop.run_until_complete(loop.create_server(session, HOST, 0))
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    def stop() -> None:
        loop.call_soon_threadsafe(server.close)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(5)

    return server.sockets[0].getsockname()[1], stop


def wait_for_the_end_of_input(end: threading.Event) -> None:
    sys.stdin.read()
    end.set()


def main() -> None:
    parser = argparse.ArgumentParser(description="A plain receiver on a free port of 127.0.0.1.")
    parser.add_argument("kind", choices=["webhook", "mail"])
    parser.add_argument("folder", type=Path, help="where what arrives is written")
    parser.add_argument("--with-parent", action="store_true", help="end when standard input is closed")
    arguments = parser.parse_args()
    end = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: end.set())
    make = webhook_peer if arguments.kind == "webhook" else mail_peer
    port, stop = make(Keeper(arguments.folder))
    print(f"listening {port}", flush=True)
    if arguments.with_parent:
        threading.Thread(target=wait_for_the_end_of_input, args=(end,), daemon=True).start()
    end.wait()
    stop()


if __name__ == "__main__":
    main()
