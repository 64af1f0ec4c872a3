"""Log lines for people and for grep: ``event key=value key="two words"``.

Under systemd each line starts with its priority (sd-daemon(3)) and leaves the time to the journal;
elsewhere it starts with the time in UTC.
"""

from __future__ import annotations

import json
import logging
import sys
import time
from collections.abc import Mapping

_PRIORITY = {logging.DEBUG: 7, logging.INFO: 6, logging.WARNING: 4, logging.ERROR: 3, logging.CRITICAL: 2}
_PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-+:/@%,")


def say(logger: logging.Logger, level: int, event: str, /, **fields: object) -> None:
    """Log `event` with `fields`; None fields are left out."""
    shown = [f"{key}={_shown(value)}" for key, value in fields.items() if value is not None]
    logger.log(level, "%s", " ".join([event, *shown]))


def _shown(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.3g}"
    text = str(value)
    return text if text and set(text) <= _PLAIN else json.dumps(text, ensure_ascii=False)


class _JournalFormatter(logging.Formatter):
    def format(self, record: logging.LogRecord) -> str:
        text = super().format(record).replace("\n", " | ")
        return f"<{_PRIORITY.get(record.levelno, 6)}>{text}"


def set_up(environ: Mapping[str, str], *, verbose: bool = False) -> None:
    """Send all log lines to standard error, in the form that suits who reads it."""
    handler = logging.StreamHandler(sys.stderr)
    if "JOURNAL_STREAM" in environ:
        handler.setFormatter(_JournalFormatter("%(message)s"))
    else:
        plain = logging.Formatter("%(asctime)sZ %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%S")
        plain.converter = time.gmtime
        handler.setFormatter(plain)
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(logging.DEBUG if verbose else logging.INFO)
    for noisy in ("apscheduler", "urllib3", "PIL", "tzlocal"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
