from __future__ import annotations

from datetime import timedelta

from dooryard.core.clock import FakeClock
from dooryard.service.scheduler import EVERY_S, LiveScheduler, RecordedScheduler
from helpers import moment


def test_a_recording_brings_its_own_time():
    timed = RecordedScheduler(moment(0))
    assert timed.due(moment(59)) == []
    assert timed.due(moment(60)) == ["minute"]
    assert timed.due(moment(61)) == []
    assert sorted(timed.due(moment(3600))) == ["minute", "upkeep"]


def test_live_jobs_are_laid_again_when_the_wall_clock_is_set_back():
    """APScheduler would wait until the wall clock has caught up; see its issue 351."""
    clock = FakeClock()
    timed = LiveScheduler(clock.now())
    try:
        before = {job.id: job.next_run_time for job in timed._scheduler.get_jobs()}
        clock.advance(10)
        timed.due(clock.now())
        assert {job.id: job.next_run_time for job in timed._scheduler.get_jobs()} == before
        clock.step_wall(-86400)
        timed.due(clock.now())
        after = {job.id: job.next_run_time for job in timed._scheduler.get_jobs()}
        assert after.keys() == before.keys() == EVERY_S.keys()
        assert all(
            after[name] - before[name] >= timedelta(0) and after[name] != before[name] for name in after
        )
    finally:
        timed.close()
        timed.close()


def test_live_names_arrive_in_the_queue():
    timed = LiveScheduler(FakeClock().now())
    try:
        timed._names.put("minute")
        assert timed.due(FakeClock().now()) == ["minute"]
    finally:
        timed.close()
