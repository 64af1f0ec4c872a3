"""Certificates for TLS peers, made afresh: PyPI trustme."""

from __future__ import annotations

import ssl
from datetime import UTC, datetime
from pathlib import Path

import trustme


class Authority:
    """A certificate authority of our own, and its file for `ca_file`."""

    def __init__(self, folder: Path) -> None:
        self._ca = trustme.CA()
        self.file = folder / "authority.pem"
        self._ca.cert_pem.write_to_path(str(self.file))

    def server(self, name: str = "127.0.0.1", *, expired: bool = False) -> ssl.SSLContext:
        """What a server shows that calls itself `name`."""
        until = datetime(2020, 1, 1, tzinfo=UTC) if expired else None
        certificate = self._ca.issue_cert(name, not_after=until)
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        certificate.configure_cert(context)
        return context

    def write_server(self, path: Path, name: str = "127.0.0.1") -> None:
        """The key and the certificates of a server in one file, as servers in C take them."""
        certificate = self._ca.issue_cert(name)
        certificate.private_key_and_cert_chain_pem.write_to_path(str(path))
