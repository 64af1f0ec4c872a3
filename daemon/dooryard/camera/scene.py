"""A camera that looks at the simulated garden "Alder Row", with truth beside every frame."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from dooryard.camera.base import EndOfFramesError
from dooryard.camera.garden.plan import GardenPlan, GardenScene
from dooryard.camera.luma import small_luma
from dooryard.core.errors import CameraError
from dooryard.core.records import Exposure, Frame, Luma, Rgb

if TYPE_CHECKING:
    from dooryard.camera.garden.render import Painter
    from dooryard.camera.garden.settings import GardenSettings

MONO_START_S = 40_000.0  # arbitrary, and far from any wall time


class SceneCamera:
    """The camera of a simulated garden: a recording whose frames are drawn when they are read.

    Frame numbers count from the start of the scene, also after frames were passed over; a frame's
    pixels depend on its number and the settings alone. `truth` tells what the last frame shows.

    Parameters
    ----------
    settings : the garden and the afternoon
    frames : read at most up to this frame of the scene; None: all
    luma_size : (width, height) of `Frame.luma`
    direct_luma : draw the luma by itself at `luma_size`, several times faster, and colour only when
        `Frame.large()` is called. Weather, visits and truth are the same; the luma differs from the
        large picture's in sub-pixel detail and noise.
    """

    def __init__(
        self,
        settings: GardenSettings,
        *,
        frames: int | None = None,
        luma_size: tuple[int, int] = (320, 240),
        direct_luma: bool = False,
    ) -> None:
        self.name = "scene"
        self.live = False
        self.plan = GardenPlan(settings)
        self._count = settings.frame_count if frames is None else min(frames, settings.frame_count)
        self._luma_size = luma_size
        self._direct_luma = direct_luma
        self._colour: Painter | None = None
        self._small: Painter | None = None
        self._next: int | None = None
        self._truth: GardenScene | None = None

    @property
    def truth(self) -> GardenScene:
        """What the last frame that was read shows."""
        if self._truth is None:
            raise ValueError("no frame was read yet")
        return self._truth

    def open(self, after: datetime | None = None) -> None:
        """Start at the first frame taken later than `after`; what is passed over is not drawn."""
        self._next = 0
        if after is None:
            return
        settings = self.plan.settings
        gone_s = (after - settings.start).total_seconds()
        self._next = max(0, math.floor(gone_s * settings.frames_per_s) - 1)
        while self._next < self._count and self.plan.wall(self._next) <= after:
            self._next += 1

    def read(self, timeout_s: float) -> Frame:
        """Draw the next frame; never waits. Raises `EndOfFramesError`, or `CameraError` if not open."""
        del timeout_s
        if self._next is None:
            raise CameraError("the scene camera is not open", "open it before reading")
        if self._next >= self._count:
            raise EndOfFramesError(f"the scene is over after {self._count} frames")
        scene = self.plan.scene(self._next)
        self._next += 1
        self._truth = scene
        luma, large = self._pictures(scene)
        return Frame(
            number=scene.number,
            wall=self.plan.wall(scene.number).astimezone(UTC),
            mono_s=MONO_START_S + scene.time_s,
            luma=luma,
            large=large,
            exposure=Exposure(exposure_s=scene.exposure_s, gain=scene.gain),
        )

    def close(self) -> None:
        """Forget the painted layers; the plan stays."""
        self._next = None
        self._colour = self._small = None

    def _pictures(self, scene: GardenScene) -> tuple[Luma, Callable[[], Rgb]]:
        if self._direct_luma:
            return self._small_painter().luma(scene), lambda: self._colour_painter().rgb(scene)
        pixels = self._colour_painter().rgb(scene)
        return small_luma(pixels, self._luma_size), lambda: pixels

    def _colour_painter(self) -> Painter:
        if self._colour is None:
            from dooryard.camera.garden.render import Painter

            self._colour = Painter(self.plan, size=None, colour=True)
        return self._colour

    def _small_painter(self) -> Painter:
        if self._small is None:
            from dooryard.camera.garden.render import Painter

            self._small = Painter(self.plan, size=self._luma_size, colour=False)
        return self._small
