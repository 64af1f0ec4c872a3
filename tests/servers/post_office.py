"""A real mail server on loopback (PyPI aiosmtpd) that can be told to answer rudely."""

from __future__ import annotations

import asyncio
import ssl
import threading
import warnings
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from aiosmtpd.smtp import SMTP, AuthResult, LoginPassword

DROP = "drop"  # hang up without a word
HANG = "hang"  # never answer


def _abort(transport: Any) -> None:
    """End a connection without a goodbye. Every transport over TCP can; its base class does not say so."""
    transport.abort()


@dataclass
class Mail:
    sender: str
    recipients: list[str]
    raw: bytes


@dataclass
class Script:
    """Replies by stage; None is "yes". `rcpt` goes by address; lists are used up from the front."""

    mail: list[str] = field(default_factory=list)
    rcpt: dict[str, list[str]] = field(default_factory=dict)
    data: list[str] = field(default_factory=list)
    keep_on_drop: bool = True  # DROP after DATA: the mail was taken all the same


class PostOffice:
    """Listens while the `with` block lasts; `mails` holds what it took."""

    def __init__(
        self,
        script: Script | None = None,
        *,
        tls: ssl.SSLContext | None = None,
        starttls: ssl.SSLContext | None = None,
        password: str | None = None,
        most_bytes: int | None = None,
        announce: bool = True,
    ) -> None:
        """`most_bytes` is the largest message it takes (RFC 1870); without `announce` it does not say so."""
        self.mails: list[Mail] = []
        self.script = script or Script()
        self.logins: list[str] = []
        self._most_bytes, self._announce = most_bytes, announce
        self._tls, self._starttls, self._password = tls, starttls, password
        self._loop = asyncio.new_event_loop()
        self._ended: asyncio.Event | None = None
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._sessions: list[SMTP] = []
        self.port = 0

    def __enter__(self) -> Self:
        self._thread.start()
        self.port = asyncio.run_coroutine_threadsafe(self._listen(), self._loop).result(10)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: object, trace: TracebackType | None) -> None:
        asyncio.run_coroutine_threadsafe(self._close(), self._loop).result(10)
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)
        self._loop.close()

    async def _listen(self) -> int:
        self._ended = asyncio.Event()
        self._server = await self._loop.create_server(self._session, "127.0.0.1", 0, ssl=self._tls)
        return int(self._server.sockets[0].getsockname()[1])

    async def _close(self) -> None:
        assert self._ended is not None
        self._ended.set()
        self._server.close()
        for session in self._sessions:
            if session.transport is not None:
                _abort(session.transport)
        rest = asyncio.all_tasks() - {asyncio.current_task()}
        for task in rest:
            task.cancel()
        await asyncio.gather(*rest, return_exceptions=True)

    def _session(self) -> SMTP:
        with warnings.catch_warnings():
            # The package warns that log-ins without TLS are unsafe: true, and these never leave loopback.
            warnings.simplefilter("ignore", UserWarning)
            session = SMTP(
                _Handler(self),
                hostname="mail.alder-row.example",
                loop=self._loop,
                tls_context=self._starttls,
                require_starttls=self._starttls is not None,
                authenticator=self._check if self._password else None,
                auth_require_tls=False,
                auth_required=self._password is not None,
                data_size_limit=self._most_bytes if self._announce else None,
            )
        self._sessions.append(session)
        return session

    def _check(self, _server: Any, _session: Any, _envelope: Any, _mechanism: Any, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        self.logins.append(data.login.decode())
        assert self._password is not None
        good = data.password == self._password.encode()
        # The worst a server may do is to repeat what it was given.
        words = f"535 5.7.8 wrong: {data.password.decode()}"
        return AuthResult(success=good, handled=good, message=None if good else words)

    async def obey(self, reply: str | None, session: Any) -> str | None:
        assert self._ended is not None
        if reply == HANG:
            await self._ended.wait()
        if reply in {DROP, HANG}:
            _abort(session.transport) if hasattr(session, "transport") else None
            for each in self._sessions:
                if each.transport is not None:
                    _abort(each.transport)
        return reply


class _Handler:
    """The names of these methods are the package's."""

    def __init__(self, office: PostOffice) -> None:
        self._office = office

    async def handle_MAIL(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        replies = self._office.script.mail
        reply = await self._office.obey(replies.pop(0) if replies else None, session)
        if reply is not None:
            return reply
        envelope.mail_from = address
        return "250 fine"

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        replies = self._office.script.rcpt.get(address, [])
        reply = await self._office.obey(replies.pop(0) if replies else None, session)
        if reply is not None:
            return reply
        envelope.rcpt_tos.append(address)
        return "250 fine"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        script = self._office.script
        most_bytes = self._office._most_bytes
        if most_bytes and len(envelope.original_content) > most_bytes:
            return "552 5.3.4 message too big for system"
        reply = script.data.pop(0) if script.data else None
        taken = reply is None or (reply in {DROP, HANG} and script.keep_on_drop)
        if taken:
            mail = Mail(envelope.mail_from, list(envelope.rcpt_tos), bytes(envelope.original_content))
            self._office.mails.append(mail)
        reply = await self._office.obey(reply, session)
        return reply or "250 taken"
