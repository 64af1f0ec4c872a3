"""Memory for large pictures: written again only when nobody looks at it any more."""

from __future__ import annotations

import gc
import os

import numpy as np
import psutil

from dooryard.camera.picamera_rooms import Rooms, WrittenRooms

SHAPE = (4, 6, 3)


def write(rooms: Rooms, theirs: WrittenRooms, value: int) -> np.ndarray:
    """One picture of `value` on its whole way."""
    room = rooms.take()
    sent = None if room.fd is None else os.dup(room.fd)  # as a socket does
    theirs.choose({"room": room.number, "shape": SHAPE, "forget": rooms.dropped()}, sent)
    rooms.told(room)
    there = theirs(SHAPE)
    there[:] = value
    there.setflags(write=False)
    return rooms.picture(room)


def test_a_picture_that_is_looked_at_is_never_written_over():
    rooms, theirs = Rooms(SHAPE), WrittenRooms()
    kept = [write(rooms, theirs, value)[::-1] for value in range(6)]
    assert [int(picture.max()) for picture in kept] == list(range(6))
    assert not kept[0].flags.writeable


def test_memory_is_used_again():
    rooms, theirs = Rooms(SHAPE), WrittenRooms()
    for value in range(20):
        picture = write(rooms, theirs, value)
        assert (picture == value).all()
        del picture
    gc.collect()
    assert rooms._made == 1


def test_what_is_not_needed_any_more_is_forgotten_by_both():
    rooms, theirs = Rooms(SHAPE), WrittenRooms()
    before = psutil.Process().num_fds()
    pictures = [write(rooms, theirs, value) for value in range(6)]
    assert len(theirs._known) == 6
    del pictures
    gc.collect()
    write(rooms, theirs, 9)
    assert len(theirs._known) == 2
    assert psutil.Process().num_fds() <= before + 2 * 2  # each side's mapping keeps one open


def test_a_room_that_may_yet_be_written_to_is_given_up():
    rooms = Rooms(SHAPE)
    late = rooms.take()
    rooms.told(late)
    rooms.drop(late)
    assert rooms.take().number != late.number
    assert rooms.dropped() == [late.number]
    assert rooms.dropped() == []
