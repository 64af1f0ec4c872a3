"""The pixel formats that picamera2 names when it is imported; nothing is ever shown."""


class _Anything(type):
    def __getattr__(cls, name: str) -> str:
        return name


class PixelFormat(metaclass=_Anything):
    pass
