"""A mail server of bytes, for what no real one would say: each command has its reply, word for word."""

from __future__ import annotations

from collections.abc import Mapping

from servers import web

# Forms: RFC 5321, 4.2 (replies); RFC 4954 (AUTH).
POLITE = {
    "greeting": "220 mail.alder-row.example\r\n",
    "EHLO": "250-mail.alder-row.example\r\n250 AUTH PLAIN LOGIN\r\n",
    "AUTH": "235 welcome\r\n",
    "MAIL": "250 fine\r\n",
    "RCPT": "250 fine\r\n",
    "DATA": "354 go on\r\n",
    ".": "250 taken\r\n",
    "QUIT": "221 bye\r\n",
}


def talk(replies: Mapping[str, str], *, endless: str | None = None) -> web.Behaviour:
    """Polite but for `replies`; after the one to a command in it, `endless` without end."""
    says = POLITE | dict(replies)

    def behave(exchange: web.Exchange) -> None:
        def answer(command: str) -> None:
            exchange.connection.sendall(says[command].encode("utf-8", "surrogateescape"))
            while command in replies and endless is not None:
                exchange.connection.sendall(endless.encode())

        lines = exchange.connection.makefile("rb")
        answer("greeting")
        for line in lines:
            command = line.split()[0].decode().upper() if line.strip() else ""
            answer(command if command in says else "QUIT")
            if command == "DATA":
                while lines.readline() not in {b".\r\n", b""}:
                    pass
                answer(".")

    return behave
