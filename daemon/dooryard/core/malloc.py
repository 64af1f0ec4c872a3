"""How the C library's memory is to be handed out and given back. Edge."""

from __future__ import annotations

import contextlib
import ctypes

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8  # malloc.h


def keep_memory_flat() -> None:
    """Have the C library hand freed memory back.

    By default glibc's malloc raises its thresholds each time a large block is freed, and keeps a heap for
    each thread (mallopt(3)); with pictures and layers of many sizes the process then grows for hours
    without leaking anything. Four megabytes leave room for a network's layers without a fault for each.
    """
    with contextlib.suppress(OSError, AttributeError):  # another C library has its own ways
        libc = ctypes.CDLL("libc.so.6")
        libc.mallopt(_M_TRIM_THRESHOLD, 4 * 1024 * 1024)
        libc.mallopt(_M_MMAP_THRESHOLD, 4 * 1024 * 1024)
        libc.mallopt(_M_ARENA_MAX, 1)
