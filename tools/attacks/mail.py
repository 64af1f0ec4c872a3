"""Rude mail servers against the e-mail sink: every stage of a session, and every rudeness at each."""

from __future__ import annotations

import base64
import socket
import time

from attacks.outcome import Outcome
from attacks.peers import Talk, endless, line, listening, problem_of
from attacks.samples import ALERT, JPEG
from dooryard.sinks.email import EmailSink

USER, PASSWORD = "alder", "correct-horse-Alder-Row"
PLAIN = base64.b64encode(f"\0{USER}\0{PASSWORD}".encode()).decode()
LOGIN = base64.b64encode(PASSWORD.encode()).decode()
SECRETS = [PASSWORD, PLAIN, PLAIN[:20], LOGIN, LOGIN[:20]]

# What a polite server says to each command. Source of the forms: RFC 5321, 4.2; RFC 4954 (AUTH).
_POLITE = {
    "greeting": "220 mail.alder-row.example ESMTP\r\n",
    "EHLO": "250-mail.alder-row.example\r\n250-SIZE 10000000\r\n250 AUTH PLAIN LOGIN\r\n",
    "HELO": "250 mail.alder-row.example\r\n",
    "AUTH": "235 welcome\r\n",
    "MAIL": "250 ok\r\n",
    "RCPT": "250 ok\r\n",
    "DATA": "354 go on\r\n",
    ".": "250 taken\r\n",
    "QUIT": "221 bye\r\n",
}
_STAGES = ["greeting", "EHLO", "AUTH", "MAIL", "RCPT", "DATA", ".", "QUIT"]
_RUDE = {
    "nothing and hangs up": None,
    "an empty line": "\r\n",
    "no code": "hello\r\n",
    "a code of two digits": "25 ok\r\n",
    "a code of letters": "abc ok\r\n",
    "code 000": "000 no\r\n",
    "code 999": "999 no\r\n",
    "a 421": "421 too busy\r\n",
    "a 451": "451 later\r\n",
    "a 550": "550 never\r\n",
    "zeros": "\0" * 2000 + "\r\n",
    "bytes that are no text": "250 \xff\xfe\x80\r\n",
    "a web page": "HTTP/1.1 400 Bad Request\r\n\r\n",
    "a line of 100 KB": "250 " + "x" * 100_000 + "\r\n",
    "two thousand lines": "250-more\r\n" * 2000 + "250 ok\r\n",
    "codes that change": "250-one\r\n550 two\r\n",
    "the log-in said back": f"535 no: AUTH PLAIN {PLAIN} LOGIN {LOGIN} {PASSWORD}\r\n",
    "the log-in said back, cut": f"535 {'x' * 130} {PLAIN}\r\n",
    "size of words": "250-a\r\n250-SIZE many\r\n250 AUTH PLAIN\r\n",
    "size of 400 digits": "250-a\r\n250-SIZE " + "9" * 400 + "\r\n250 AUTH PLAIN\r\n",
    "log-in by what nobody knows": "250-a\r\n250 AUTH X-NONE\r\n",
}
_ENDLESS = {
    "endless lines": "250-and more of the same\r\n" * 2000,
    "an endless line": "250-" + "x" * 60_000,
    "endless zeros": "\0" * 60_000,
    "endless short lines": "\r\n" * 20_000,
}


def attack(seed: int = 1, count: int | None = None) -> Outcome:
    """Send one alert to each rude server. `count`: only so many of them, by `seed`."""
    outcome = Outcome("rude mail servers", "an answer in bounded time, memory and words; secrets kept")
    all_of_them = talks()
    names = list(all_of_them)
    if count is not None:
        step = max(1, len(names) // count)
        names = names[seed % step :: step][:count]
    for name in names:
        with listening(all_of_them[name]) as port:
            sink = EmailSink(
                "post",
                "127.0.0.1",
                port,
                sender="box@alder-row.example",
                recipients=["robin@alder-row.example", "wren@alder-row.example"],
                security="none",
                user=USER,
                password=PASSWORD,
                connect_timeout_s=1.0,
                read_timeout_s=1.0,
                total_timeout_s=3.0,
                now=time.time,
            )
            outcome.note(name, problem_of(sink, ALERT, JPEG, SECRETS))
    return outcome


def talks() -> dict[str, Talk]:
    """Every rudeness by its stage and name."""
    rude: dict[str, Talk] = {}
    for stage in _STAGES:
        for name, words in _RUDE.items():
            rude[f"to {stage}: {name}"] = _session(stage, words, None)
        for name, words in _ENDLESS.items():
            rude[f"to {stage}: {name}"] = _session(stage, "", words)
        rude[f"to {stage}: silence"] = _session(stage, "", "")
    return rude


def swallowed(connection: socket.socket) -> bool:
    """Take a letter up to its last line; True."""
    while (text := line(connection)) and text != b".\r\n":
        pass
    return True


def _session(stage: str, words: str | None, then: str | None) -> Talk:
    """Polite but at `stage`: there it says `words` (None: hangs up), and `then` without end ("": nothing)."""

    def answered(connection: socket.socket, at: str) -> bool:
        if at != stage:
            connection.sendall(_POLITE[at].encode())
            return True
        if words is None:
            return False
        connection.sendall(words.encode("latin-1"))
        if then:
            endless(connection, then.encode("latin-1"))
        return True

    def talk(connection: socket.socket) -> None:
        if not answered(connection, "greeting"):
            return
        while command := line(connection):
            word = command.split(b" ")[0].strip().decode("latin-1").upper()
            if not answered(connection, word if word in _POLITE else "HELO"):
                return
            if word == "DATA" and not (swallowed(connection) and answered(connection, ".")):
                return

    return talk
