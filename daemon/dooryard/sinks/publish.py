"""The publish sink: puts the built journal where others can read it."""

from __future__ import annotations

from pathlib import Path

from dooryard.core.atomic_files import FileCalls
from dooryard.core.errors import SinkError
from dooryard.core.records import Alert
from dooryard.sinks.base import SendOutcome, SendResult
from dooryard.sinks.mirror import mirror
from dooryard.sinks.remote import Host, bring, checked


class PublishSink:
    """A folder of this machine, or one of a web host.

    Each alert that it is given, whatever it says, makes it publish the journal as it then is; the alert's
    own words and picture are not used. So only the newest has to be sent: see `Store.add_alert`.
    """

    def __init__(
        self,
        name: str,
        source: Path,
        target: Path | Host,
        *,
        remove_gone: bool = False,
        disk: FileCalls | None = None,
    ) -> None:
        """`source` is the built journal; `remove_gone` is for a folder (a `Host` has its own).

        Raises `SinkError` when `source` and `target` lie in each other, or the host cannot be used.
        """
        self.name = name
        self._source = source
        self._target = checked(target) if isinstance(target, Host) else _apart(source, target)
        self._remove_gone = remove_gone
        self._disk = disk or FileCalls()

    def send(self, alert: Alert, picture: bytes | None) -> SendResult:
        del alert, picture  # they only say that it is time
        if not self._source.is_dir():
            return SendResult(SendOutcome.NOT_SENT, "the journal is not built yet")
        if isinstance(self._target, Host):
            return bring(self._target, self._source)
        try:
            done = mirror(self._source, self._target, self._disk, remove_gone=self._remove_gone)
        except OSError as error:
            return SendResult(SendOutcome.NOT_SENT, f"{self._target}: {(error.strerror or 'failed').lower()}")
        return SendResult(
            SendOutcome.SENT, f"{done.copied} of {done.files} files were new, {done.removed} removed"
        )

    def close(self) -> None:
        """Nothing is kept open between two alerts."""


def _apart(source: Path, target: Path) -> Path:
    one, other = source.resolve(), target.resolve()
    if one.is_relative_to(other) or other.is_relative_to(one):
        raise SinkError(
            f"{target} and the journal's own folder {source} overlap", "publish to another folder"
        )
    return target
