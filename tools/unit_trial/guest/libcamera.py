"""Goes into the container beside the stand-in for the camera's library, which asks nothing of it."""

from __future__ import annotations


class Transform:
    """How the picture is turned."""

    def __init__(self, hflip: int = 0, vflip: int = 0) -> None:
        self.hflip, self.vflip = hflip, vflip


class ColorSpace:
    """How colours are written."""

    @staticmethod
    def Sycc() -> ColorSpace:  # noqa: N802  (the library's own name)
        return ColorSpace()
