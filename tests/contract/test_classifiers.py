"""What every classifier promises; the fake and the real one pass the same tests."""

import numpy as np
import pytest

from dooryard.classify.fake import FakeClassifier
from dooryard.classify.labels import GROUPS
from dooryard.classify.onnx import OnnxClassifier
from dooryard.core.records import Box, Naming
from unit.classify.builders import WALL, LargePicture, frame, noise

BOXES = [Box(0.1, 0.1, 0.4, 0.5), Box(0.5, 0.5, 1.0, 1.0), Box(0.0, 0.0, 0.05, 0.05)]


def scripted() -> FakeClassifier:
    return FakeClassifier(
        lambda number, box: {"bird": 0.9 if box.x0 < number else 0.1},
        lambda _number, _box: [Naming("bird", 0.8, "wren", "Troglodytes troglodytes")],
    )


@pytest.fixture(scope="module", params=[scripted, OnnxClassifier], ids=["fake", "onnx"])
def classifier(request):
    made = request.param()
    made.warm_up()
    return made


def test_one_sighting_per_box_in_order(classifier):
    found = classifier.look(frame(LargePicture(noise())), BOXES)
    assert [sighting.box for sighting in found] == BOXES
    assert {(s.frame, s.wall, s.mono_s) for s in found} == {(7, WALL, 1234.5)}


def test_the_large_picture_is_fetched_once_and_only_if_needed(classifier):
    large = LargePicture(noise())
    assert classifier.look(frame(large), []) == ()
    assert large.fetched == 0
    classifier.look(frame(large), BOXES)
    assert large.fetched == 1


def test_what_is_returned_outlives_the_frame(classifier):
    large = LargePicture(noise())
    found = classifier.look(frame(large), BOXES)
    before = [(dict(s.groups), s.picture.pixels.copy()) for s in found]
    large.overwrite()
    classifier.look(frame(LargePicture(noise()[::-1]), number=8), BOXES)
    for sighting, (groups, pixels) in zip(found, before, strict=True):
        assert sighting.groups == groups
        assert (sighting.picture.pixels == pixels).all()
        assert not sighting.picture.pixels.flags.writeable


def test_pictures_are_shared_not_copied_per_box(classifier):
    found = classifier.look(frame(LargePicture(noise())), BOXES)
    assert len({id(sighting.picture.pixels) for sighting in found}) == 1
    assert [sighting.picture.box for sighting in found] == BOXES


def test_groups_are_chances(classifier):
    for sighting in classifier.look(frame(LargePicture(noise())), BOXES):
        assert set(sighting.groups) == set(GROUPS)
        assert all(0 <= chance <= 1 for chance in sighting.groups.values())
        assert 0 <= sighting.somebody <= 1
        assert sighting.sharpness > 0
        chances = [name.probability for name in sighting.species]
        assert chances == sorted(chances, reverse=True)
        assert all(name.species for name in sighting.species)


def test_features_are_a_vector_or_absent(classifier):
    for sighting in classifier.look(frame(LargePicture(noise())), BOXES):
        features = sighting.features
        expected = None if classifier.card.features is None else (classifier.card.feature_count,)
        assert (None if features is None else features.shape) == expected
        assert features is None or features.dtype == np.float32


def test_the_same_look_gives_the_same_answer(classifier):
    first, again = (classifier.look(frame(LargePicture(noise())), BOXES) for _ in range(2))
    for one, other in zip(first, again, strict=True):
        assert (one.groups, one.species, one.sharpness) == (other.groups, other.species, other.sharpness)
        assert one.features is None or (one.features == other.features).all()


@pytest.mark.parametrize(
    "box", [Box(0.5, 0.1, 0.4, 0.2), Box(0.1, 0.1, 0.1, 0.2), Box(-0.1, 0, 0.5, 0.5), Box(0, 0, 1.01, 1)]
)
def test_a_box_that_is_none_is_refused(classifier, box):
    with pytest.raises(ValueError, match="not a rectangle"):
        classifier.look(frame(LargePicture(noise())), [box])


@pytest.mark.parametrize(
    "pixels",
    [np.zeros((10, 10), np.uint8), np.zeros((10, 10, 4), np.uint8), np.zeros((10, 10, 3), np.float32)],
    ids=["grey", "alpha", "floats"],
)
def test_a_picture_that_is_none_is_refused(classifier, pixels):
    with pytest.raises(ValueError, match="large picture"):
        classifier.look(frame(LargePicture(pixels)), BOXES)


def test_a_camera_that_fails_is_not_hidden(classifier):
    def broken():
        raise OSError("gone")

    with pytest.raises(OSError, match="gone"):
        classifier.look(frame(broken), BOXES)
