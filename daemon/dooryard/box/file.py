"""The box file: what this unit is made of. Its schema, and from its text to a `BoxFile`. Pure.

Relative paths stay as they are written; who opens them resolves them against the file's folder.
Secrets never stand in this file, only where they are: see `SecretRef`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union

from pydantic import AfterValidator, Discriminator, Field, Tag, create_model

from dooryard.box import checks
from dooryard.box.addresses import page_address
from dooryard.box.camera import CAMERAS, PicameraTable, kind_of
from dooryard.box.kinds import CameraOptions, Part, PathText, SensorOptions, SinkOptions
from dooryard.box.plugins import Plugins, brought, kind_named, without_use
from dooryard.box.sensors import SENSORS
from dooryard.box.sinks import SINKS, HeartbeatOptions
from dooryard.config.toml_document import Document, Parsed, read
from dooryard.config.validation import validated
from dooryard.gate.settings import area
from dooryard.policy.parse import note_doubles
from dooryard.policy.schema import Line, Table

BUILT_IN = "built-in"
NONE = "none"


def _covering(corners: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
    if area(corners) < 1e-4:  # of the picture
        raise ValueError("covers next to nothing; check the order of its corners")
    return corners


Corner = Annotated[tuple[Part, Part], Field(strict=False)]
Polygon = Annotated[
    tuple[Corner, ...], Field(strict=False, min_length=3, max_length=64), AfterValidator(_covering)
]


When = Literal["after visits", "daily", "never"]


def _camera(kinds: Sequence[type[CameraOptions]]) -> Any:
    """One of several kinds of camera; which one it is may be left out."""
    tagged = tuple(Annotated[kind, Tag(kind_named(kind))] for kind in kinds)
    return Annotated[Union[tagged], Discriminator(kind_of)]  # noqa: UP007  made while the program runs


def _several(kinds: Sequence[type[SensorOptions | SinkOptions]]) -> Any:
    """Any number of tables, each of one of several kinds."""
    one: Any = Annotated[Union[tuple(kinds)], Field(discriminator="kind")]  # noqa: UP007  as above
    return tuple[one, ...]


if TYPE_CHECKING:  # what all kinds have is all that the rest of the program may count on
    AnyCamera = CameraOptions
    AnySensors = tuple[SensorOptions, ...]
    AnySinks = tuple[SinkOptions, ...]
else:
    AnyCamera, AnySensors, AnySinks = _camera(CAMERAS), _several(SENSORS), _several(SINKS)


class ClassifierOptions(Table):
    """What tells who it is."""

    card: PathText = Field(default=BUILT_IN, description=f'The model\'s card file, or "{BUILT_IN}".')
    species_card: PathText = Field(
        default=BUILT_IN,
        description=f'Card of a second model, asked which bird it is. "{BUILT_IN}": the one that comes with'
        f' the program, where the policy says where the place is; "{NONE}": birds are not told by name.',
    )
    threads: int = Field(default=1, ge=1, le=16, description="Threads of one classification.")
    watch_without: bool = Field(
        default=False,
        description="Whether it starts and watches without names where the model is missing or damaged.",
    )
    look_every_s: float = Field(
        default=0.8, ge=0, le=60, description="Seconds between two looks at the same place."
    )


class GateOptions(Table):
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


class ButtonOptions(Table):
    """A push button between a pin and ground: a short press asks for a message, a long one halts."""

    pin: int = Field(ge=0, le=27, description="The pin's GPIO number.")
    hold_s: float = Field(default=3.0, ge=1, le=30, description="Seconds to hold it for a halt.")


class LampOptions(Table):
    """A lamp that shows what the box does."""

    pin: int = Field(ge=0, le=27, description="The pin's GPIO number.")


class VisitOptions(Table):
    """When a visit is settled and over."""

    settle_s: float = Field(
        default=1.5, ge=0, le=60, description="Seconds that somebody is seen before anything is decided."
    )
    gone_after_s: float = Field(
        default=6.0, gt=0, le=600, description="Seconds unseen after which the visit is over."
    )


class RecorderOptions(Table):
    """The box's own recording of what the camera sees, to rehearse policies on."""

    folder: PathText = Field(default="recording", description="Where the recording is kept.")
    frames_per_s: float = Field(default=2.0, gt=0, le=30, description="The most frames kept a second.")
    most_gb: float = Field(
        default=8.0,
        ge=0.1,
        le=100_000,
        description="The most room that it takes (10^9 bytes); then the oldest hour goes.",
    )


class JournalOptions(Table):
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
    camera: AnyCamera = Field(default=PicameraTable(), description="Where frames come from.")
    classifier: ClassifierOptions = Field(default=ClassifierOptions(), description="What tells who it is.")
    gate: GateOptions = Field(default=GateOptions(), description="What counts as motion.")
    visit: VisitOptions = Field(default=VisitOptions(), description="When a visit is settled and over.")
    sensor: AnySensors = Field(
        default=(), strict=False, max_length=16, description="Sensors beyond what the board itself tells."
    )
    button: ButtonOptions | None = Field(default=None, description="The push button, if there is one.")
    lamp: LampOptions | None = Field(default=None, description="The lamp, if there is one.")
    recorder: RecorderOptions | None = Field(
        default=None, description="The box's own recording, if it is to make one."
    )
    journal: JournalOptions = Field(default=JournalOptions(), description="The pages of what came.")
    heartbeat: HeartbeatOptions | None = Field(default=None, description="Whom to tell that it is alive.")
    sink: AnySinks = Field(
        default=(), strict=False, max_length=16, description="The ways out; policies name them."
    )


def telling(box: BoxFile) -> frozenset[str]:
    """Names of the sinks that tell of visits; the others bring the journal somewhere."""
    return frozenset(table.name for table in box.sink if table.tells_of_visits)


def parse_box(text: str, file: str) -> Parsed[BoxFile]:
    """Read a box file. Raises ConfigError with every problem as file:line: key: text."""
    return box_in(read(text, file))


def box_in(document: Document, plugins: Plugins | None = None) -> Parsed[BoxFile]:
    """`parse_box` for a text that was read already; `plugins` None: those that are installed."""
    box = None
    if document.readable:
        more, refused = brought(document, plugins or Plugins())
        for path, text in without_use(document.data):
            document.warning(path, text)
        box = validated(with_kinds(more), document, noted=frozenset({"union_tag_invalid"} if refused else ()))
        note_doubles(document, "sink", "name")
        note_doubles(document, "sensor", "name")
        if box is not None:
            checks.note(document, box)
    document.raise_problems()
    assert box is not None  # or there were problems
    if not box.sink:
        document.warning(("sink",), "the box has no sink, so nothing is sent; add a [[sink]]")
    return Parsed(box, document.told())


def with_kinds(more: Mapping[str, Sequence[type[Any]]]) -> type[BoxFile]:
    """The box file's schema, with the kinds of camera, sensor and sink that other packages bring."""
    if not any(more.values()):
        return BoxFile
    kinds = {
        "camera": _camera([*CAMERAS, *more["camera"]]),
        "sensor": _several([*SENSORS, *more["sensor"]]),
        "sink": _several([*SINKS, *more["sink"]]),
    }
    said = {key: info.description for key, info in BoxFile.model_fields.items()}
    usual = Field(default=PicameraTable(), description=said["camera"])
    fields: dict[str, Any] = {"camera": (kinds["camera"], usual)} | {
        key: (kinds[key], Field(default=(), strict=False, max_length=16, description=said[key]))
        for key in ("sensor", "sink")
    }
    return create_model("BoxFile", __base__=BoxFile, **fields)
