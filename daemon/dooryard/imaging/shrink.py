"""A JPEG made to fit what a receiver takes, by the message as it is sent."""

from __future__ import annotations

import io
from collections import OrderedDict
from collections.abc import Callable, Iterator

from PIL import Image

_STEPS = ((1.0, 80), (0.75, 80), (0.5, 75), (0.35, 70), (0.25, 65), (0.15, 60))  # (scale, JPEG quality)
_REMEMBERED_ALERTS = 64
PICTURE_TRIES = 2  # how often a receiver may find a picture too large; then the words go without one


def fitted(jpeg: bytes, fits: Callable[[bytes], bool]) -> bytes | None:
    """The first that `fits`: `jpeg` itself, else scaled down; None when even the smallest does not.

    A picture that cannot be read as one also gives None: the words still go out.
    """
    return next((each for each in _sizes(jpeg) if fits(each)), None)


def _sizes(jpeg: bytes) -> Iterator[bytes]:
    yield jpeg
    try:
        with Image.open(io.BytesIO(jpeg)) as image:
            picture = image.convert("RGB")
    except OSError:
        return
    for scale, quality in _STEPS:
        size = (max(1, round(picture.width * scale)), max(1, round(picture.height * scale)))
        out = io.BytesIO()
        picture.resize(size, Image.Resampling.LANCZOS).save(out, "JPEG", quality=quality)
        yield out.getvalue()


class SizeLimit:
    """The most bytes that a message to one receiver may have.

    That is what the box file says, and less once the receiver found a message too large: half of it, and so
    on with each refusal. What it taught is kept until the program ends.
    """

    def __init__(self, most_bytes: int | None) -> None:
        self._most_bytes = most_bytes
        self._of_alert: OrderedDict[str, int] = OrderedDict()

    def of(self, alert_id: str, announced_bytes: int | None = None) -> int | None:
        """The limit for one alert's message; `announced_bytes` is what the receiver says. None: no limit."""
        known = [self._most_bytes, announced_bytes, self._of_alert.get(alert_id)]
        return min((each for each in known if each is not None), default=None)

    def refused(self, sent_bytes: int) -> None:
        """A message of this size was too large."""
        self._most_bytes = min(self._most_bytes or sent_bytes, sent_bytes // 2)

    def broke_off(self, alert_id: str, sent_bytes: int) -> None:
        """The receiver broke off in a message of this size: maybe for its size, so this one shrinks."""
        self._of_alert[alert_id] = sent_bytes // 2
        while len(self._of_alert) > _REMEMBERED_ALERTS:
            self._of_alert.popitem(last=False)
