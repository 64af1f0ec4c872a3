"""What every camera promises, whatever it is made of."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, runtime_checkable

if TYPE_CHECKING:
    from datetime import datetime

    from dooryard.core.records import Frame


class CameraStalledError(Exception):
    """No frame came within the timeout. The caller may try again, or reopen."""


class EndOfFramesError(Exception):
    """A recording or a simulated afternoon is over. Never raised by a live camera."""


class Camera(Protocol):
    """A source of frames.

    Frames come with numbers that grow by at least one, wall times, and monotonic times that never go
    back. `Frame.large()` may be called until the next `read`.
    """

    name: str
    live: bool
    """True: frames arrive as the world goes. False: a recording; its frame times are the clock."""

    def open(self, after: datetime | None = None) -> None:
        """Start. A recording passes over frames taken at or before `after`; a live camera ignores it.

        Raises `dooryard.core.errors.CameraError` with a remedy when there is nothing to open.
        """
        ...

    def read(self, timeout_s: float) -> Frame:
        """Return the next frame.

        Raises `CameraStalledError` after `timeout_s`, `EndOfFramesError` at the end of a recording, and
        `dooryard.core.errors.CameraError` when the camera is gone and must be opened again.
        """
        ...

    def close(self) -> None:
        """Let go of the device. May be called twice, and after an error."""
        ...


@runtime_checkable
class OpensInSteps(Protocol):
    """A camera whose opening may take long, and need not be waited for in one go."""

    def open_in_steps(self, within_s: float) -> bool:
        """Go on opening for `within_s` seconds at most; True once it is open. Raises as `open` does."""
        ...
