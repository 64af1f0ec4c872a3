"""What the service and the camera's own process say to each other, and the memory that they share.

A message is one packet of JSON on a socket pair; with it may come the descriptor of memory for a large
picture (see `picamera_rooms`). To the worker: {"do": "read" | "large", "n": serial, ...}, and an end of the
stream to close. From it: {"say": "loaded" | "open" | "frame" | "stalled" | "large" | "failed", "n": serial}.
"""

from __future__ import annotations

import json
import mmap
import os
import socket
from typing import Any

import numpy as np
import numpy.typing as npt

Message = dict[str, Any]
Bytes = npt.NDArray[np.uint8]
_LONGEST = 64 * 1024  # of a message, in bytes: an error with its chain of causes is the longest


def pair() -> tuple[socket.socket, socket.socket]:
    """Both ends of a connection that keeps packets apart."""
    return socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)


def send(link: socket.socket, message: Message, fd: int | None = None) -> None:
    """Send `message`, and with it the descriptor `fd`. Raises OSError when nobody is there to hear it."""
    data = json.dumps(message).encode()[:_LONGEST]
    if fd is None:
        link.sendall(data)
    else:
        socket.send_fds(link, [data], [fd])


def receive(link: socket.socket, timeout_s: float | None) -> tuple[Message, int | None] | None:
    """The next message and its descriptor, if it has one; None: nothing in that time (None: wait for ever).

    Raises `EOFError` when the other side has gone.
    """
    link.settimeout(timeout_s if timeout_s is None else max(timeout_s, 1e-4))
    try:
        data, fds, _flags, _address = socket.recv_fds(link, _LONGEST, 1)
    except TimeoutError:
        return None
    except OSError as error:
        raise EOFError from error
    if not data:
        raise EOFError
    return json.loads(data), fds[0] if fds else None


def new_room(size: int) -> int:
    """The descriptor of `size` bytes of memory that two processes can share, gone with its last user."""
    fd = os.memfd_create("dooryard-camera", os.MFD_CLOEXEC)
    os.ftruncate(fd, size)
    return fd


def mapped(fd: int, shape: tuple[int, ...], *, write: bool = False) -> Bytes:
    """The memory behind `fd` as an array of `shape`, uint8; it stays mapped while the array lives."""
    prot = mmap.PROT_READ | (mmap.PROT_WRITE if write else 0)
    size = int(np.prod(shape))
    area = mmap.mmap(fd, size, flags=mmap.MAP_SHARED | mmap.MAP_POPULATE, prot=prot)
    return np.frombuffer(area, dtype=np.uint8).reshape(shape)
