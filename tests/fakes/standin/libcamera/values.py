"""Sizes, rectangles, transforms, colour spaces, pixel formats."""

from __future__ import annotations

import enum


class Size:
    def __init__(self, width: int = 0, height: int = 0) -> None:
        self.width, self.height = int(width), int(height)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Size) and (self.width, self.height) == (other.width, other.height)

    def __hash__(self) -> int:
        return hash((self.width, self.height))

    def __repr__(self) -> str:
        return f"{self.width}x{self.height}"


class Rectangle:
    def __init__(self, x: int = 0, y: int = 0, width: int = 0, height: int = 0) -> None:
        self.x, self.y, self.width, self.height = (int(value) for value in (x, y, width, height))

    def __repr__(self) -> str:
        return f"({self.x}, {self.y})/{self.width}x{self.height}"


class Transform:
    def __init__(
        self,
        other: Transform | None = None,
        rotation: int = 0,
        hflip: bool = False,
        vflip: bool = False,
        transpose: bool = False,
    ) -> None:
        if isinstance(other, Transform):
            hflip, vflip, transpose = other.hflip, other.vflip, other.transpose
        self.hflip, self.vflip, self.transpose = bool(hflip), bool(vflip), bool(transpose)

    def __str__(self) -> str:
        return f"hflip {self.hflip}, vflip {self.vflip}, transpose {self.transpose}"


class ColorSpace:
    class Primaries(enum.Enum):
        Raw = 0
        Smpte170m = 1
        Rec709 = 2
        Rec2020 = 3

    class TransferFunction(enum.Enum):
        Linear = 0
        Srgb = 1
        Rec709 = 2

    class YcbcrEncoding(enum.Enum):
        Null = 0
        Rec601 = 1
        Rec709 = 2
        Rec2020 = 3

    class Range(enum.Enum):
        Full = 0
        Limited = 1

    def __init__(self, primaries, transfer=None, encoding=None, extent=None) -> None:
        if isinstance(primaries, ColorSpace):
            other = primaries
            primaries, transfer = other.primaries, other.transferFunction
            encoding, extent = other.ycbcrEncoding, other.range
        self.primaries, self.transferFunction = primaries, transfer
        self.ycbcrEncoding, self.range = encoding, extent

    def __str__(self) -> str:
        return (
            f"{self.primaries.name}/{self.transferFunction.name}/{self.ycbcrEncoding.name}/{self.range.name}"
        )

    @classmethod
    def _named(cls, primaries: str, transfer: str, encoding: str, extent: str) -> ColorSpace:
        return cls(
            cls.Primaries[primaries],
            cls.TransferFunction[transfer],
            cls.YcbcrEncoding[encoding],
            cls.Range[extent],
        )

    @classmethod
    def Raw(cls) -> ColorSpace:
        return cls._named("Raw", "Linear", "Null", "Full")

    @classmethod
    def Srgb(cls) -> ColorSpace:
        return cls._named("Rec709", "Srgb", "Null", "Full")

    @classmethod
    def Sycc(cls) -> ColorSpace:
        return cls._named("Rec709", "Srgb", "Rec601", "Full")

    @classmethod
    def Smpte170m(cls) -> ColorSpace:
        return cls._named("Smpte170m", "Rec709", "Rec601", "Limited")

    @classmethod
    def Rec709(cls) -> ColorSpace:
        return cls._named("Rec709", "Rec709", "Rec709", "Limited")


class PixelFormat:
    def __init__(self, name: str = "") -> None:
        self.name = name

    def __str__(self) -> str:
        return self.name

    def __eq__(self, other: object) -> bool:
        return isinstance(other, PixelFormat) and self.name == other.name

    def __hash__(self) -> int:
        return hash(self.name)
