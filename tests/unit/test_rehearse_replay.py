"""Frames of the simulated garden through the pipeline, with a classifier that knows the truth."""

from __future__ import annotations

import io
from dataclasses import replace
from datetime import timedelta

import pytest
from PIL import Image

from dooryard.box.file import BoxFile
from dooryard.camera.base import EndOfFramesError
from dooryard.camera.garden.families import alder_row_afternoon
from dooryard.camera.scene import SceneCamera
from dooryard.classify.fake import FakeClassifier
from dooryard.core.errors import CameraError
from dooryard.core.records import Outcome
from dooryard.rehearse import answers
from dooryard.rehearse.differ import differences
from dooryard.rehearse.machine import rehearsal_data
from dooryard.rehearse.page import page
from dooryard.rehearse.replay import replay
from dooryard.rehearse.table import sums, told_table
from dooryard.service.build import conditions
from fakes.rules import SINKS, policy
from helpers import START, frame

FRAMES = 300  # a minute: the squirrel comes after 38 s


def camera():
    return SceneCamera(alder_row_afternoon(), frames=FRAMES, direct_luma=True)


def rules(*tables, **more):
    return replace(conditions(BoxFile(), policy(*tables, **more), clock_set=True), sinks=SINKS)


PLAN = camera().plan


class Knowing(FakeClassifier):
    """Says of each box who truly is there."""

    def __init__(self):
        self.plan = PLAN
        super().__init__(self.told)

    def told(self, number, box):
        present = self.plan.scene(number).present
        return {who.group: 0.9 for who in present if who.box.overlap(box) > 0.3 * min(who.box.area, box.area)}


@pytest.fixture(scope="module")
def known():
    """Two sets of rules side by side, what was seen, the classifier's answers, and how often it was asked."""
    remembering = answers.RememberingClassifier(Knowing(), {}, pictures=True)
    told, silent = rules({}), rules({"visitor": ["cat"]})
    both = replay(camera(), remembering, [told, silent], pictures=True)
    return both, remembering


def test_the_squirrel_is_told_by_one_policy_and_not_by_the_other(known):
    (told, silent), _ = known
    assert told.frames == FRAMES
    (a,), (b,) = told.seen, silent.seen
    assert a.visit.id == b.visit.id
    assert (a.visit.visitor.group, a.decision.outcome) == ("squirrel", Outcome.TELL)
    assert b.decision.reason == "not sent: Alder Row, a squirrel: no rule matches this visitor"
    assert a.visit.end is not None
    assert a.decided.mono_s < a.visit.end.mono_s  # told while it was there
    assert [each.what for each in differences(told, silent)] == ["not sent, was sent"]


def test_pictures_are_small_and_whole(known):
    (told, _), _ = known
    image = Image.open(io.BytesIO(told.seen[0].jpeg))
    assert max(image.size) <= 480
    image.load()
    assert told.seen[0].visit.best is None


def test_each_place_is_looked_at_once_for_all_policies(known):
    (told, silent), remembering = known
    assert told.looks == silent.looks == remembering.asked


def test_a_second_rehearsal_asks_nothing_and_decides_the_same(known, tmp_path):
    (told, _), remembering = known
    path = tmp_path / answers.file_name(remembering)
    assert answers.save(path, remembering.answers) is None
    kept, trouble = answers.load(path)
    assert trouble is None
    again = answers.RememberingClassifier(Knowing(), kept, pictures=False)
    (second,) = replay(camera(), again, [rules({})])
    assert again.asked == 0
    assert [seen.decision for seen in second.seen] == [seen.decision for seen in told.seen]
    assert [seen.visit.visitor for seen in second.seen] == [seen.visit.visitor for seen in told.seen]


def test_what_goes_side_by_side_is_decided_as_if_alone(known):
    (_, silent), remembering = known
    alone = answers.RememberingClassifier(Knowing(), dict(remembering.answers), pictures=False)
    (by_itself,) = replay(camera(), alone, [rules({"visitor": ["cat"]})])
    assert [seen.decision for seen in by_itself.seen] == [seen.decision for seen in silent.seen]


def test_rest_outside_the_watch_hours():
    resting = rules({}, hours={"watch": {"from": "20:00", "to": "21:00"}})
    (first,) = replay(camera(), Knowing(), [resting])
    assert first.seen == ()
    ((start, end),) = first.rests
    assert (start, end) == (first.first, first.last)


def test_a_large_picture_that_cannot_be_had_is_noted():
    class Blind(Knowing):
        def look(self, frame, boxes):
            raise CameraError("the frame has gone", "leave the recording alone")

    (first,) = replay(camera(), Blind(), [rules({})])
    assert first.seen == ()
    assert first.notes[0].endswith(": the frame has gone")


def test_a_second_message_is_counted_and_shown():
    told = rules({})
    rule = told.policy.rule[0].model_copy(update={"still_here_min": 0.15})  # shorter than a file may say
    lingering = replace(told, policy=told.policy.model_copy(update={"rule": (rule,)}))
    longer = SceneCamera(alder_row_afternoon(), frames=FRAMES, direct_luma=True)
    (first,) = replay(longer, Knowing(), [lingering])
    (squirrel,) = first.seen
    assert squirrel.still is not None
    wall, text = squirrel.still
    assert text == "The squirrel is still here after 9 s"
    assert timedelta(seconds=9) <= wall - squirrel.visit.start.wall < timedelta(seconds=11)
    assert squirrel.end >= wall


def test_a_rehearsal_of_newness_says_that_it_knows_no_past():
    (first,) = replay(camera(), Knowing(), [rules({"name": "first", "new": "year"})])
    assert first.notes == (
        'nobody counts as seen before the recording began, so more is new to "first" than on the box',
    )
    assert [seen.decision.outcome for seen in first.seen] == [Outcome.TELL]


class Hour:
    """An hour of an empty garden, a frame every five seconds, and ten minutes' gap in the middle of it."""

    name, live = "hour", False

    def __init__(self):
        self.number = 0

    def open(self, _after=None):
        self.number = 0

    def read(self, _timeout_s):
        if self.number == 720:
            raise EndOfFramesError
        self.number += 1
        t = 5.0 * self.number + (600.0 if self.number > 360 else 0.0)
        return frame(self.number, t)

    def close(self):
        pass


def test_absences_are_counted_and_listed():
    wanted = [{"name": "nobody", "after_h": 0.75, "send_to": "phone"}]
    (done,) = replay(Hour(), FakeClassifier(lambda _n, _b: {}), [rules({}, absence=wanted)])
    ((wall, text),) = done.absences
    # 45 minutes of watching: half an hour, ten minutes without frames, and a quarter of an hour more.
    assert abs((wall - START).total_seconds() - 55 * 60) < 70
    assert text == "Nobody has come to Alder Row in 0.75 h of watching."
    assert sums(done).endswith(": 0 visits, 1 message on absences")
    assert text in told_table(done)
    assert text in page([done])
    assert rehearsal_data(done)["absences"] == [[wall.isoformat(), text]]


def test_nothing_is_told_where_somebody_comes_and_a_pause_holds_all():
    wanted = [{"name": "nobody", "after_h": 0.5}]
    pause = [{"name": "p", "dates": {"from": "1 Jan", "to": "31 Dec"}}]
    both = [rules({}, absence=wanted), rules({}, pause=pause)]
    done, paused = replay(camera(), Knowing(), both)
    assert done.absences == ()
    assert {seen.decision.outcome for seen in paused.seen} == {Outcome.HOLD}
    assert {seen.decision.reason.partition(": pause")[1] for seen in paused.seen} == {": pause"}
