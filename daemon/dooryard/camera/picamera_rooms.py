"""Memory for large pictures that the camera's process writes and the service reads, used again and again.

A picture is the caller's own for as long as any view of it lives; only then is its memory written again. So
nothing is copied to hand a picture over, and no memory has to be asked for and cleared for each.
"""

from __future__ import annotations

import mmap
import os
import weakref
from dataclasses import dataclass, field

import numpy as np

from dooryard.camera import picamera_wire

_SPARE = 2  # rooms that are kept when nobody has a picture in them


@dataclass
class Room:
    """One picture's memory."""

    number: int
    fd: int | None  # until the other process has it
    area: mmap.mmap


@dataclass
class Rooms:
    """The service's side: which rooms there are, and which are free."""

    shape: tuple[int, int, int]
    _free: list[Room] = field(default_factory=list)
    _dropped: list[int] = field(default_factory=list)
    _made: int = 0

    def take(self) -> Room:
        """A room that nobody reads."""
        if self._free:
            return self._free.pop()
        size = int(np.prod(self.shape))
        fd = picamera_wire.new_room(size)
        self._made += 1
        return Room(self._made, fd, mmap.mmap(fd, size, flags=mmap.MAP_SHARED, prot=mmap.PROT_READ))

    def told(self, room: Room) -> None:
        """The other process has been sent the descriptor."""
        if room.fd is not None:
            os.close(room.fd)
        room.fd = None

    def picture(self, room: Room) -> picamera_wire.Bytes:
        """What was written into `room`, read-only; the room is free again when no view of it is left."""
        whole = np.frombuffer(room.area, dtype=np.uint8)
        weakref.finalize(whole, self._give_back, room)
        return whole.reshape(self.shape)

    def drop(self, room: Room) -> None:
        """Never use `room` again: it may yet be written to."""
        self._dropped.append(room.number)

    def dropped(self) -> list[int]:
        """The rooms that the other process may forget, told once."""
        numbers, self._dropped = self._dropped, []
        return numbers

    def _give_back(self, room: Room) -> None:
        if len(self._free) < _SPARE:
            self._free.append(room)
        else:
            self._dropped.append(room.number)


class WrittenRooms:
    """The camera process's side: the rooms that it was sent, and the one to be written next."""

    def __init__(self) -> None:
        self._known: dict[int, picamera_wire.Bytes] = {}
        self._next: picamera_wire.Bytes | None = None

    def choose(self, message: picamera_wire.Message, fd: int | None) -> None:
        """Take in what a "large" message says of rooms."""
        for number in message["forget"]:
            self._known.pop(number, None)
        if fd is not None:
            self._known[message["room"]] = picamera_wire.mapped(fd, tuple(message["shape"]), write=True)
            os.close(fd)
        self._next = self._known[message["room"]]

    def __call__(self, shape: tuple[int, ...]) -> picamera_wire.Bytes:
        """The room for a picture of `shape`."""
        assert self._next is not None
        assert self._next.shape == shape  # it was configured, and is checked when that is done
        return self._next[:]  # a view, which the caller may make read-only
