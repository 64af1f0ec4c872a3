"""A heat step, or low power, closes the camera; once it is over the camera is opened again. Edge."""

from __future__ import annotations

from dooryard.camera.supervisor import CameraSupervisor
from dooryard.core.records import Moment
from dooryard.health.thermal import Throttle
from dooryard.service.activity_log import ActivityLog


class CameraInHeat:
    """Whether a step keeps the camera closed, and what that takes."""

    def __init__(self, camera: CameraSupervisor, activity_log: ActivityLog) -> None:
        self._camera = camera
        self._activity_log = activity_log
        self.closed = False

    def must_change(self, throttle: Throttle) -> bool:
        """Whether the steps that hold now ask for something else than is."""
        return throttle.camera_off != self.closed

    def close(self, now: Moment) -> None:
        """Close it. The visits that last are to be ended before."""
        self.closed = True
        self._camera.rest()
        self._activity_log.off(now, "heat")

    def open_again(self, now: Moment, *, watching: bool) -> None:
        """Open it, within the watch hours; else they open it when they begin."""
        self.closed = False
        if watching:
            self._camera.wake(now.mono_s)
        self._activity_log.on(now)
