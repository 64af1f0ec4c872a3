"""The large picture that a sighting keeps."""

import numpy as np
import pytest

from dooryard.classify import sightings
from unit.classify.builders import LargePicture, frame, noise


def test_a_picture_that_may_be_written_to_is_copied():
    large = LargePicture(noise())
    kept = sightings.lasting(frame(large))
    before = kept.copy()
    large.overwrite()
    assert (kept == before).all()
    assert not kept.flags.writeable


def test_a_read_only_view_of_what_may_be_written_to_is_copied():
    """A camera's buffer, shown read-only: the camera itself goes on to write to it."""
    buffer = noise()
    shown = buffer[:]
    shown.setflags(write=False)
    kept = sightings.lasting(frame(LargePicture(shown)))
    assert not np.shares_memory(kept, buffer)


def test_a_picture_of_its_own_that_nobody_can_write_to_is_kept_as_it_is():
    pixels = noise()
    pixels.setflags(write=False)
    assert sightings.lasting(frame(LargePicture(pixels))) is pixels


@pytest.mark.parametrize("pixels", [np.zeros((4, 4), np.uint8), np.zeros((0, 4, 3), np.uint8)])
def test_what_is_no_picture_is_refused(pixels):
    pixels.setflags(write=False)
    with pytest.raises(ValueError, match="large picture"):
        sightings.lasting(frame(LargePicture(pixels)))
