"""Certificates for the servers, made afresh (PyPI trustme)."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import trustme


@dataclass(frozen=True)
class Pair:
    """A PEM file each."""

    certificate: Path
    key: Path


class Authority:
    """An authority of our own; `file` is what `ca_file` names."""

    def __init__(self, folder: Path) -> None:
        self._ca = trustme.CA()
        self._folder = folder
        self.file = folder / "authority.pem"
        self._ca.cert_pem.write_to_path(str(self.file))
        self.good = self._pair("good", "127.0.0.1")
        self.expired = self._pair("expired", "127.0.0.1", until=datetime(2020, 1, 1, tzinfo=UTC))
        self.of_another = self._pair("another", "garden.example")

    def _pair(self, label: str, name: str, until: datetime | None = None) -> Pair:
        issued = self._ca.issue_cert(name, not_after=until)
        pair = Pair(self._folder / f"{label}.pem", self._folder / f"{label}.key")
        issued.private_key_pem.write_to_path(str(pair.key))
        for blob in issued.cert_chain_pems:
            blob.write_to_path(str(pair.certificate), append=True)
        pair.key.chmod(0o600)
        return pair
