"""Rude web receivers against the webhook sink."""

from __future__ import annotations

import socket
import time

from attacks.outcome import Outcome
from attacks.peers import Talk, endless, line, listening, problem_of
from attacks.samples import ALERT, JPEG
from dooryard.sinks.webhook import WebhookSink

SECRET = "whsec_" + "QWxkZXJSb3dBbGRlclJvd0FsZGVyUm93"
BEARER = "bearer-of-alder-row"

# Sources of the forms: RFC 9110 and 9112 (HTTP), which each of them breaks or strains.
_DATES = [
    "Fri, 31 Dec 999999999 23:59:59 GMT",
    "Fri, 31 Dec 9999 99:59:59 GMT",
    "Fri, 31 Dec 2026 23:59:59 +999999",
    "Fri, 31 Dec 0000 23:59:59 GMT",
    "Mon, 1 Jan 1 00:00:00 -2359",
    "Sun, 06 Nov 1994 08:49:37 -9999999999999999999",
    "9" * 400,
    "1e308",
    "-5",
    "NaN",
    "\xb2\xb3",
    "Fri, 31 Dec 2026 23:59:60 GMT",
    "Fri, " * 2000,
]
_HEADS = {
    "no status": "\r\n\r\n",
    "another protocol": "220 mail.alder-row.example ESMTP\r\n",
    "HTTP/0.9": "<html>hello</html>",
    "status of two digits": "HTTP/1.1 20 OK\r\n\r\n",
    "status of five digits": "HTTP/1.1 20000 OK\r\n\r\n",
    "status 000": "HTTP/1.1 000 no\r\n\r\n",
    "status 999": "HTTP/1.1 999 no\r\n\r\n",
    "version 9": "HTTP/9.9 200 OK\r\n\r\n",
    "reason of 60 KB": "HTTP/1.1 400 " + "x" * 60_000 + "\r\n\r\n",
    "reason of 2 MB": "HTTP/1.1 400 " + "x" * 2_000_000 + "\r\n\r\n",
    "zeros": "\0" * 4000,
    "negative length": "HTTP/1.1 500 no\r\nContent-Length: -1\r\n\r\n",
    "length of words": "HTTP/1.1 200 OK\r\nContent-Length: many\r\n\r\n",
    "huge length": "HTTP/1.1 200 OK\r\nContent-Length: " + "9" * 30 + "\r\n\r\nx",
    "two lengths": "HTTP/1.1 200 OK\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nx",
    "a chunk of words": "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    "a chunk without end": "HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\nffffffff\r\nx",
    "says gzip, is none": "HTTP/1.1 200 OK\r\nContent-Encoding: gzip\r\nContent-Length: 4\r\n\r\nnone",
    "header without colon": "HTTP/1.1 500 no\r\nnonsense\r\n\r\n",
    "header of 1 MB": "HTTP/1.1 500 no\r\nX: " + "x" * 1_000_000 + "\r\n\r\n",
    "ten thousand headers": "HTTP/1.1 500 no\r\n" + "X: y\r\n" * 10_000 + "\r\n",
    "redirect to itself": "HTTP/1.1 307 r\r\nLocation: /again\r\nContent-Length: 0\r\n\r\n",
    "redirect to nowhere": "HTTP/1.1 307 r\r\nContent-Length: 0\r\n\r\n",
    "redirect to a file": "HTTP/1.1 307 r\r\nLocation: file:///etc/passwd\r\nContent-Length: 0\r\n\r\n",
    "redirect to brackets": "HTTP/1.1 307 r\r\nLocation: http://[::1\r\nContent-Length: 0\r\n\r\n",
    "redirect to bytes": "HTTP/1.1 307 r\r\nLocation: \xff\xfe\xfd\r\nContent-Length: 0\r\n\r\n",
    "redirect elsewhere": "HTTP/1.1 308 r\r\nLocation: http://a.invalid/\r\nContent-Length: 0\r\n\r\n",
    "says the bearer back": f"HTTP/1.1 401 {BEARER}\r\nContent-Length: 0\r\n\r\n{BEARER}",
    **{
        f"Retry-After {date[:30]!r}": f"HTTP/1.1 503 no\r\nRetry-After: {date}\r\nContent-Length: 0\r\n\r\n"
        for date in _DATES
    },
}
_ENDLESS = {
    "endless status line": ("", "HTTP/1.1 200 " * 5000),
    "endless headers": ("HTTP/1.1 200 OK\r\n", "X-More: of the same\r\n" * 500),
    "endless header": ("HTTP/1.1 200 OK\r\nX: ", "x" * 60_000),
    "endless continuation": ("HTTP/1.1 200 OK\r\nX: y\r\n", " and more\r\n" * 500),
    "endless 100 Continue": ("", "HTTP/1.1 100 Continue\r\n\r\n" * 500),
    "endless body": ("HTTP/1.1 200 OK\r\n\r\n", "x" * 60_000),
    "endless chunks": ("HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n", "1\r\nx\r\n" * 5000),
    "endless chunk extension": ("HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n1;", "x" * 60_000),
    "endless zeros": ("", "\0" * 60_000),
}


def attack(seed: int = 1, count: int | None = None) -> Outcome:
    """Send one alert with a picture to each rude receiver. `count`: only so many of them, by `seed`."""
    outcome = Outcome("rude web receivers", "an answer in bounded time, memory and words; secrets kept")
    names = list(talks())
    if count is not None:
        step = max(1, len(names) // count)
        names = names[seed % step :: step][:count]
    for name in names:
        with listening(talks()[name]) as port:
            sink = WebhookSink(
                "phone",
                f"http://127.0.0.1:{port}/hook",
                secret=SECRET,
                bearer=BEARER,
                connect_timeout_s=1.0,
                read_timeout_s=1.0,
                total_timeout_s=2.0,
                now=time.time,
            )
            outcome.note(name, problem_of(sink, ALERT, JPEG, [SECRET, BEARER]))
    return outcome


def talks() -> dict[str, Talk]:
    """Every rudeness by its name."""

    def says(head: str, then: str | None = None) -> Talk:
        def talk(connection: socket.socket) -> None:
            _read_head(connection)
            connection.sendall(head.encode("latin-1"))
            if then is not None:
                endless(connection, then.encode("latin-1"))

        return talk

    rude: dict[str, Talk] = {name: says(head) for name, head in _HEADS.items()}
    rude |= {name: says(head, then) for name, (head, then) in _ENDLESS.items()}
    rude["hangs up at once"] = socket.socket.close
    rude["never answers"] = _drain
    rude["never reads"] = _wait
    return rude


def _read_head(connection: socket.socket) -> None:
    while line(connection).strip():
        pass


def _drain(connection: socket.socket) -> None:
    while connection.recv(65536):
        pass


def _wait(connection: socket.socket) -> None:
    """Leave what came unread until the other end hangs up."""
    while connection.recv(1, socket.MSG_PEEK):
        time.sleep(0.05)
