"""Memory for buffers where there are no DMA heaps: memory files, put in the place of picamera2's own."""

from __future__ import annotations

import errno
import os
import sys
from types import SimpleNamespace
from typing import Any

from .board import board


class MemoryHeap:
    def __init__(self) -> None:
        if board.heap == "refused":
            raise PermissionError(errno.EACCES, "Permission denied", "/dev/dma_heap/linux,cma")
        if board.heap == "missing":
            raise RuntimeError("Could not open any dmaHeap device")
        self.isValid = True

    def alloc(self, name: str, size: int) -> Any:
        if board.heap == "full":
            raise OSError(errno.ENOMEM, "Cannot allocate memory")
        fd = os.memfd_create(name)
        os.ftruncate(fd, size)
        return sys.modules["picamera2.dma_heap"].UniqueFD(fd)

    def close(self) -> None:
        pass


def put_in_place() -> None:
    allocator: Any = sys.modules.get("picamera2.allocators.dmaallocator")
    if allocator is not None:
        allocator.DmaHeap = MemoryHeap
        allocator.fcntl = SimpleNamespace(ioctl=lambda *_given: 0)  # nothing to bring into step
