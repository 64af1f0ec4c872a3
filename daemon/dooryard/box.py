"""The box file: what this unit is made of. Its schema, and from its text to a `BoxFile`. Pure.

Relative paths stay as they are written; who opens them resolves them against the file's folder.
Secrets never stand in this file, only where they are: see `SecretRef`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, Field, model_validator

from dooryard.box_sinks import Email, Heartbeat, Memory, PathText, Publish, SinkTable, Webhook
from dooryard.gate.settings import area
from dooryard.journal.pace import When
from dooryard.policy.addresses import page_address
from dooryard.policy.document import Document, Parsed, read
from dooryard.policy.lines import Path
from dooryard.policy.parse import note_doubles, tables
from dooryard.policy.problems import validated
from dooryard.policy.schema import Line, Table
from dooryard.sensors.spec import Kind, Quantity, SensorSpec

__all__ = ["BoxFile", "Email", "Memory", "Publish", "SinkTable", "Webhook", "box_in", "parse_box", "telling"]

BUILT_IN = "built-in"

# Keys of [camera] that only some kinds have.
CAMERA_KEYS: dict[str, frozenset[str]] = {
    "picamera": frozenset(
        {
            "camera_index",
            "large_width",
            "large_height",
            "frames_per_s",
            "upside_down",
            "region",
            "exposure_s",
            "gain",
            "white_balance",
            "focus_m",
        }
    ),
    "folder": frozenset({"folder", "index", "time_zone"}),
    "scene": frozenset({"seed", "preset", "seconds", "large_width", "large_height", "frames_per_s"}),
    "fake": frozenset({"script", "repeat", "live", "frames_per_s"}),
}


def _covering(corners: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if area(corners) < 1e-4:  # of the picture
        raise ValueError("covers next to nothing; check the order of its corners")
    return corners


Side = Annotated[int, Field(ge=16, le=8192)]
Part = Annotated[float, Field(ge=0, le=1)]
Corner = Annotated[tuple[Part, Part], Field(strict=False)]
Polygon = Annotated[
    tuple[Corner, ...], Field(strict=False, min_length=3, max_length=64), AfterValidator(_covering)
]


class Camera(Table):
    """Where frames come from."""

    kind: Literal["picamera", "folder", "scene", "fake"] = Field(
        default="picamera",
        description="The board's camera, a recording, the simulated garden, or a scripted fake.",
    )
    camera_index: int = Field(default=0, ge=0, le=15, description="Which of the board's cameras (picamera).")
    upside_down: bool = Field(default=False, description="It hangs head down (picamera).")
    region: tuple[Part, Part, Part, Part] | None = Field(
        default=None,
        strict=False,
        description="The part of the view to use: left, top, right, bottom, 0 to 1 (picamera).",
    )
    exposure_s: float | None = Field(
        default=None,
        gt=0,
        le=1,
        description="Exposure to hold, in seconds. Left out: it sees to it (picamera).",
    )
    gain: float | None = Field(
        default=None, ge=1, le=64, description="Gain to hold. Left out: it sees to it (picamera)."
    )
    white_balance: tuple[float, float] | None = Field(
        default=None, strict=False, description="Gains of red and blue to hold (picamera)."
    )
    focus_m: float | Literal["auto"] | None = Field(
        default=None, description='Distance to focus on, in metres, or "auto" (picamera).'
    )
    folder: PathText | None = Field(default=None, description="Where a recording's frames are (folder).")
    index: PathText | None = Field(
        default=None, description="CSV file with the frames' times (folder). Left out: times from EXIF."
    )
    time_zone: str | None = Field(
        default=None, description="IANA name, for frame times without an offset (folder). Left out: UTC."
    )
    preset: str = Field(
        default="alder row afternoon", max_length=40, description="Which scene it is, by its name (scene)."
    )
    seed: int | None = Field(
        default=None, ge=0, description="Number that chance goes by (scene). Left out: the preset's."
    )
    seconds: float | None = Field(
        default=None, gt=0, le=86400, description="How long it lasts (scene). Left out: as the preset has it."
    )
    script: str = Field(default="f", min_length=1, max_length=10_000, description="What happens (fake).")
    repeat: bool = Field(default=True, description="Whether the script starts anew at its end (fake).")
    live: bool = Field(default=True, description="Whether frames take real time (fake).")
    luma_width: Side = Field(
        default=320, description="Width of the small grey picture that motion is sought in."
    )
    luma_height: Side = Field(default=240, description="Its height.")
    large_width: Side | None = Field(
        default=None,
        description="Width of the large picture. Left out: 1640 (picamera), the preset's (scene).",
    )
    large_height: Side | None = Field(
        default=None, description="Its height. Left out: 1232 (picamera), the preset's (scene)."
    )
    frames_per_s: float | None = Field(
        default=None,
        gt=0,
        le=120,
        description="Frames a second. Left out: 10 (picamera), 5 (fake), the preset's (scene).",
    )
    stall_after_s: float = Field(
        default=10.0,
        ge=1,
        le=600,
        description="Seconds without a frame after which the camera is opened anew.",
    )

    @model_validator(mode="after")
    def _complete(self) -> Camera:
        if self.kind == "folder" and self.folder is None:
            raise ValueError('a camera of kind "folder" needs the key folder: where the frames are')
        if (self.large_width is None) != (self.large_height is None):
            raise ValueError("large_width and large_height go together; give both or neither")
        return self


class Classifier(Table):
    """What tells who it is."""

    card: PathText = Field(default=BUILT_IN, description=f'The model\'s card file, or "{BUILT_IN}".')
    threads: int = Field(default=1, ge=1, le=16, description="Threads of one classification.")
    look_every_s: float = Field(
        default=0.8, ge=0, le=60, description="Seconds between two looks at the same place."
    )


class Gate(Table):
    """What counts as motion worth a look."""

    smallest: float = Field(
        default=0.04,
        ge=0.01,
        le=0.5,
        description="The smallest visitor's longer side, as a part of the picture's width.",
    )
    ignore: tuple[Polygon, ...] = Field(
        default=(),
        strict=False,
        max_length=32,
        description="Areas to pass over, each a list of [x, y] corners, 0 to 1, y downwards.",
    )


class Sensor(Table):
    """Something that tells how the box is; policies name it."""

    name: Line = Field(description="What policies call it.")
    kind: Kind = Field(description="What it is; see the README on sensors.")
    quantity: Quantity = Field(default="temperature", description="Which of its values (sht3x, bme280).")
    device: PathText | None = Field(default=None, description="Which one of several alike, by its bus name.")
    chip: PathText | None = Field(default=None, description="The driver's name (chip).")
    interface: PathText = Field(default="wlan0", description="Which network interface (wifi).")
    script: PathText = Field(default="0:20", description="What it says when (fake): seconds:value ...")
    every_s: float | None = Field(
        default=None, ge=1, le=3600, description="Seconds between readings. Left out: the kind's own pace."
    )

    @property
    def spec(self) -> SensorSpec:
        return SensorSpec(**self.model_dump())


class Button(Table):
    """A push button between a pin and ground: a short press asks for a message, a long one halts."""

    pin: int = Field(ge=0, le=27, description="The pin's GPIO number.")
    hold_s: float = Field(default=3.0, ge=1, le=30, description="Seconds to hold it for a halt.")


class Lamp(Table):
    """A lamp that shows what the box does."""

    pin: int = Field(ge=0, le=27, description="The pin's GPIO number.")


class VisitKeys(Table):
    """When a visit is settled and over."""

    settle_s: float = Field(
        default=1.5, ge=0, le=60, description="Seconds that somebody is seen before anything is decided."
    )
    gone_after_s: float = Field(
        default=6.0, gt=0, le=600, description="Seconds unseen after which the visit is over."
    )


class RecorderKeys(Table):
    """The box's own recording of what the camera sees, to rehearse policies on."""

    folder: PathText = Field(default="recording", description="Where the recording is kept.")
    frames_per_s: float = Field(default=2.0, gt=0, le=30, description="The most frames kept a second.")
    most_gb: float = Field(
        default=8.0,
        ge=0.1,
        le=100_000,
        description="The most room that it takes (10^9 bytes); then the oldest hour goes.",
    )


class JournalKeys(Table):
    """The pages of what came, which the box builds by itself."""

    build: When = Field(
        default="after visits",
        description="When the box builds its pages: some minutes after a visit and at the day's end; at the"
        " day's end only; or only when asked to by `dooryard journal`.",
    )
    every_min: float = Field(default=30.0, ge=5, le=1440, description="The least minutes between two builds.")
    address: Annotated[str, AfterValidator(page_address)] | None = Field(
        default=None, description="Where the pages will be published, for feed readers and link previews."
    )
    with_position: bool = Field(
        default=False, description="Write the policy's place into the pictures: everybody can read it there."
    )


class BoxFile(Table):
    """What this unit is. `BoxFile()` is a board with its camera, the built-in model and no sink."""

    name: Line = Field(default="dooryard", description="What this box is called in messages about itself.")
    state_folder: PathText = Field(default="state", description="Where visits, pictures and alerts are kept.")
    camera: Camera = Field(default=Camera(), description="Where frames come from.")
    classifier: Classifier = Field(default=Classifier(), description="What tells who it is.")
    gate: Gate = Field(default=Gate(), description="What counts as motion.")
    visit: VisitKeys = Field(default=VisitKeys(), description="When a visit is settled and over.")
    sensor: tuple[Sensor, ...] = Field(
        default=(), strict=False, max_length=16, description="Sensors beyond what the board itself tells."
    )
    button: Button | None = Field(default=None, description="The push button, if there is one.")
    lamp: Lamp | None = Field(default=None, description="The lamp, if there is one.")
    recorder: RecorderKeys | None = Field(
        default=None, description="The box's own recording, if it is to make one."
    )
    journal: JournalKeys = Field(default=JournalKeys(), description="The pages of what came.")
    heartbeat: Heartbeat | None = Field(default=None, description="Whom to tell that it is alive.")
    sink: tuple[SinkTable, ...] = Field(
        default=(), strict=False, max_length=16, description="The ways out; policies name them."
    )


def telling(box: BoxFile) -> frozenset[str]:
    """Names of the sinks that tell of visits; the others bring the journal somewhere."""
    return frozenset(table.name for table in box.sink if table.kind != "publish")


def parse_box(text: str, file: str) -> Parsed[BoxFile]:
    """Read a box file. Raises ConfigError with every problem as file:line: key: text."""
    return box_in(read(text, file))


def box_in(document: Document) -> Parsed[BoxFile]:
    """`parse_box` for a text that was read already."""
    box = None
    if document.readable:
        box = validated(BoxFile, document)
        note_doubles(document, "sink", "name")
        note_doubles(document, "sensor", "name")
        for path, text in _strangers(document.data):
            document.problem(path, text)
    document.raise_problems()
    assert box is not None  # or there were problems
    if not box.sink:
        document.warning(("sink",), "the box has no sink, so nothing is told; add a [[sink]]")
    return Parsed(box, document.told())


def _strangers(data: dict[str, Any]) -> Iterator[tuple[Path, str]]:
    """Keys of [camera] that have no meaning for its kind."""
    (camera,) = tables(data.get("camera", {}))[:1] or [{}]
    kind = camera.get("kind", "picamera")
    mine = CAMERA_KEYS.get(kind) if isinstance(kind, str) else None
    if mine is None:
        return
    others = frozenset[str]().union(*CAMERA_KEYS.values()) - mine
    for key in camera:
        if key in others:
            kinds = " or ".join(f'"{other}"' for other, keys in CAMERA_KEYS.items() if key in keys)
            yield ("camera", key), f'is only for a camera of kind {kinds}, not "{kind}"; take it out'
