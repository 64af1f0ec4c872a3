"""What stands outside the board, on its network: a resolver that notes questions, a receiver of webhooks.

    python outside.py resolver FILE
    python outside.py receiver FILE

Run by the trial in the board's network, and ended by it. Every name has the address 192.0.2.77, which nobody
has (RFC 5737): who looks one up and connects is seen twice.
"""

from __future__ import annotations

import json
import socket
import struct
import sys
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

NOBODY = bytes((192, 0, 2, 77))
PORT = 8080


def resolver(out: Path) -> None:
    """Answer each question for an address (RFC 1035), and write down the name."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as server, out.open("a", encoding="utf-8") as notes:
        server.bind(("127.0.0.1", 53))
        while True:
            message, sender = server.recvfrom(1500)
            name, end = _name(message)
            notes.write(f"{name}\n")
            notes.flush()
            kind = struct.unpack("!H", message[end : end + 2])[0]
            answers = kind == 1  # an IPv4 address
            head = message[:2] + struct.pack("!HHHHH", 0x8180, 1, answers, 0, 0)
            record = b"\xc0\x0c" + struct.pack("!HHIH", 1, 1, 60, 4) + NOBODY if answers else b""
            server.sendto(head + message[12 : end + 4] + record, sender)


def _name(message: bytes) -> tuple[str, int]:
    """The name that is asked for, and where it ends."""
    labels, at = [], 12
    while message[at]:
        labels.append(message[at + 1 : at + 1 + message[at]].decode("ascii", "replace"))
        at += 1 + message[at]
    return ".".join(labels), at + 1


def receiver(out: Path) -> None:
    """Take webhooks and write down each: its headers and its body, one JSON line."""

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
            note = {"headers": dict(self.headers.items()), "body": body.decode("utf-8", "replace")}
            with out.open("a", encoding="utf-8") as notes:
                notes.write(f"{json.dumps(note)}\n")
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_words: object) -> None:
            """Nothing: it is all in the file."""

    ThreadingHTTPServer(("127.0.0.1", PORT), Handler).serve_forever()


if __name__ == "__main__":
    {"resolver": resolver, "receiver": receiver}[sys.argv[1]](Path(sys.argv[2]))
