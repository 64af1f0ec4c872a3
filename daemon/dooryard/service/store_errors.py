"""What the watch does when the disk refuses: it says so and goes on."""

from __future__ import annotations

import logging
from collections.abc import Callable
from functools import wraps
from typing import ParamSpec

from dooryard.core.errors import StoreError
from dooryard.core.log import say

_log = logging.getLogger("dooryard")
P = ParamSpec("P")


def log_store_errors(work: Callable[P, None]) -> Callable[P, None]:
    """Let a `StoreError` in `work` be said, with its remedy, and not end the watch."""

    @wraps(work)
    def careful(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            work(*args, **kwargs)
        except StoreError as error:
            say(_log, logging.ERROR, f"disk: {work.__name__} failed", why=error.what, to_do=error.remedy)

    return careful
