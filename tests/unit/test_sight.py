"""A classifier that fails, or is not there: the watch goes on without names, told once at each end."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dooryard.classify.fake import FakeClassifier
from dooryard.core.errors import CameraError, ModelError
from dooryard.core.records import Box
from dooryard.gate import GateSettings
from dooryard.service.failover import (
    STEADY_S,
    TRY_AGAIN_S,
    LateClassifier,
    Sight,
    feedback_of,
    unnamed,
)
from dooryard.site import site_model
from dooryard.teaching.feedback import Feedback
from dooryard.tracking.visits import VisitSettings
from helpers import frame, moment

BOX = Box(0.2, 0.2, 0.6, 0.6)
BROKEN = ModelError("the network does not run: out of memory", "free some memory")


class Failing(FakeClassifier):
    """Fails while `broken` says so; `cold` while it cannot even be warmed up."""

    def __init__(self):
        super().__init__(lambda _n, _b: {"bird": 0.9})
        self.broken = self.cold = False
        self.warmed = 0

    def look(self, frame, boxes):
        if self.broken:
            raise BROKEN
        return super().look(frame, boxes)

    def warm_up(self):
        self.warmed += 1
        if self.cold:
            raise BROKEN


@pytest.fixture
def classifier():
    return Failing()


@pytest.fixture
def heard():
    return []


@pytest.fixture
def sight(classifier, heard):
    return Sight(classifier, lambda kind, text, now: heard.append((kind, text, now.mono_s)))


def look(sight, t):
    (sighting,) = sight.look(frame(int(t), t), (BOX,), moment(t))
    return sighting


def test_while_it_works_nothing_is_told(sight, heard):
    assert look(sight, 0).groups["bird"] == 0.9
    assert (heard, sight.away) == ([], False)


def test_a_failure_is_told_once_and_its_end_once(sight, classifier, heard):
    classifier.broken = True
    seen = [look(sight, t) for t in (10, 11, 12)]
    assert [sighting.classified for sighting in seen] == [False] * 3
    assert [sighting.groups for sighting in seen] == [{}] * 3
    assert len(heard) == 1
    kind, text, _at = heard[0]
    assert kind == "classifier"
    assert text.startswith("the classifier fails: the network does not run: out of memory; what moves has no")
    assert text.endswith("until it works (free some memory)")
    classifier.broken = False
    assert not look(sight, 30).classified  # it is not tried at each look
    sight.try_again(moment(10 + TRY_AGAIN_S[0]))
    assert look(sight, 131).classified
    assert not sight.away
    assert [text for _kind, text, _at in heard[1:]] == ["the classifier works again, after 2 min 1 s"]


def test_it_is_tried_again_at_growing_waits(sight, classifier, heard):
    classifier.broken = classifier.cold = True
    look(sight, 0)
    tried_at = []
    for t in range(0, 4000, 10):
        before = classifier.warmed
        sight.try_again(moment(t))
        tried_at += [t] if classifier.warmed > before else []
    assert tried_at == [60, 180, 480, 1380, 2280, 3180]
    assert len(heard) == 1


def test_one_that_warms_up_and_fails_at_the_next_look_is_not_told_again(sight, classifier, heard):
    classifier.broken = True
    look(sight, 0)
    for t in (60, 190, 500):
        sight.try_again(moment(t))
        look(sight, t + 1)
        sight.try_again(moment(t + 2))  # it is not yet time
    assert classifier.warmed == 3
    assert len(heard) == 1


def test_one_that_comes_and_goes_is_tried_ever_less_often(sight, classifier, heard):
    at, waits = 0.0, []
    for _ in range(5):
        classifier.broken = True
        look(sight, at)
        classifier.broken = False
        failed_at = at
        while sight.away:
            at += 10
            sight.try_again(moment(at))
            look(sight, at)
        waits.append(at - failed_at)
        at += 10
    assert waits == [60, 120, 300, 900, 900]
    classifier.broken = True
    look(sight, at + STEADY_S + 10)
    sight.try_again(moment(at + STEADY_S + 10 + TRY_AGAIN_S[0]))
    assert classifier.warmed == 6


def test_a_background_sample_without_it_teaches_nothing(sight, classifier):
    assert sight.background_sample(frame(1, 1), BOX, moment(1)) is not None
    classifier.broken = True
    assert sight.background_sample(frame(2, 2), BOX, moment(2)) is None


def test_a_picture_that_cannot_be_had_is_not_its_fault(sight, heard):
    def gone():
        raise CameraError("gone", "look")

    assert sight.look(replace(frame(1, 1), large=gone), (BOX,), moment(1)) is None
    assert sight.background_sample(replace(frame(1, 1), large=gone), BOX, moment(1)) is None
    assert heard == []


def test_what_has_no_name_has_its_picture_and_teaches_the_gate_nothing():
    (sighting,) = unnamed(frame(7, 1), (BOX,))
    assert (sighting.box, sighting.picture.frame, sighting.somebody) == (BOX, 7, 0.5)
    assert unnamed(frame(7, 1), ()) == ()
    with pytest.raises(ValueError, match="rectangle"):
        unnamed(frame(7, 1), (Box(0.5, 0.5, 0.5, 0.6),))
    view = object()  # would not stand being learned from
    taught = site_model.gate_taught(view, [(BOX, sighting)], (), 1.0, GateSettings(), VisitSettings())
    assert taught is view


class Trainable(FakeClassifier):
    taught = None
    teaching_model, teaching_features = "m", 0


def test_one_that_comes_late_is_made_when_it_is_warmed_up(heard, tmp_path):
    made = []

    def make():
        if not made:
            raise BROKEN
        return made[0]

    late = LateClassifier(make, BROKEN)
    feedback = feedback_of(tmp_path, late, lambda card: site_model.place_for(card.name, 4))
    sight = Sight(late, lambda kind, text, now: heard.append(text))
    assert (late.card.feature_count, late.identity) == (0, "none")
    assert not look(sight, 0).classified
    sight.try_again(moment(60))
    assert feedback.take_in(None) is None
    made.append(Trainable(lambda _n, _b: {"cat": 0.8}))
    sight.try_again(moment(180))
    assert look(sight, 181).groups["cat"] == 0.8
    assert len(heard) == 2
    assert late.card == made[0].card
    assert feedback.take_in(None).model == "scripted"  # what was stored of the place, for its card
    assert feedback.trainable is made[0]


def test_one_that_is_there_is_taught_at_once(tmp_path):
    trainable = Trainable(lambda _n, _b: {})
    assert type(feedback_of(tmp_path, trainable, lambda _card: None)) is Feedback
