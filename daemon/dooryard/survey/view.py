"""A picture of the whole view, with the region that is used and the parts that the gate ignores drawn in.

The camera is opened without its region for it, so that what lies outside can be seen.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from PIL import Image, ImageDraw

from dooryard.camera.base import Camera, CameraStalledError, EndOfFramesError
from dooryard.camera.picamera_options import crop
from dooryard.core.errors import CameraError, ConfigError
from dooryard.core.records import Box, Rgb
from dooryard.survey.lines import Finding, bad, good

Point = tuple[float, float]
_ABOUT = "view"
_SETTLING = 10  # frames, for exposure and white balance
_TRIES = 5  # waits of two seconds for one
_LINE, _EDGE, _IGNORED = (255, 214, 0), (0, 0, 0), (200, 60, 40)
_KINDS = {".jpg": "JPEG", ".jpeg": "JPEG", ".png": "PNG"}


def check_name(file: Path) -> None:
    """Raise ConfigError where no picture can be written to `file`."""
    if file.suffix.lower() not in _KINDS:
        raise ConfigError(f"{file}: the view is written as a JPEG or a PNG", "name a file such as view.jpg")
    if not file.resolve().parent.is_dir():
        raise ConfigError(f"{file}: there is no such folder", "name a file in a folder that is there")


def view_lines(
    camera: Camera, file: Path, region: Box | None, ignored: Sequence[Sequence[Point]]
) -> Sequence[Finding]:
    """Write the view of `camera`, which has no region of its own, to `file`, and say what it shows.

    `region` is relative to the whole view, `ignored` are corners relative to the region. Raises CameraError.
    """
    picture = drawn(_taken(camera), region, ignored)
    try:
        picture.save(file, format=_KINDS[file.suffix.lower()])
    except OSError as error:
        remedy = "name a file in a folder that is there and that this user may write to"
        return [bad(_ABOUT, f"{file}: cannot be written: {error.strerror or error}", remedy)]
    shows = [f"{file} shows the whole view"]
    if region is not None:
        shows.append("the region that is used is drawn in yellow")
    if ignored:
        shows.append("what the gate ignores in red")
    return [good(_ABOUT, ", ".join(shows))]


def drawn(picture: Rgb, region: Box | None, ignored: Sequence[Sequence[Point]]) -> Image.Image:
    """`picture`, uint8 of shape (H, W, 3), with the region's border and the ignored parts' shades."""
    image = Image.fromarray(picture)
    width, height = image.size
    left, top, wide, high = 0, 0, width, height
    if region is not None:  # the same widening as the camera's own, as the whole view has the pictures' shape
        left, top, wide, high = crop(region, (0, 0, width, height), (width, height))
    shade = Image.new("L", image.size, 0)
    for corners in ignored:
        ImageDraw.Draw(shade).polygon([(left + x * wide, top + y * high) for x, y in corners], fill=110)
    image.paste(Image.new("RGB", image.size, _IGNORED), mask=shade)
    if region is not None:
        thick = max(2, width // 320)
        draw = ImageDraw.Draw(image)
        for grow, colour in ((thick, _EDGE), (0, _LINE)):  # a dark edge: seen on snow as well
            border = (left - grow, top - grow, left + wide - 1 + grow, top + high - 1 + grow)
            draw.rectangle(border, outline=colour, width=thick + grow)
    return image


def _taken(camera: Camera) -> Rgb:
    """One large picture, once the exposure has settled."""
    camera.open()
    try:
        picture, tries = None, 0
        for number in range(_SETTLING + _TRIES):
            try:
                frame = camera.read(2.0)
            except CameraStalledError:
                tries += 1
                if tries == _TRIES:
                    break
                continue
            except EndOfFramesError:
                break
            if picture is None or number >= _SETTLING:
                picture = frame.large()
    finally:
        camera.close()
    if picture is None:
        raise CameraError(
            f"no frame came from {camera.name}",
            "switch the power off first, then see that its ribbon is seated at both ends",
        )
    return picture
