"""The classifier that runs an ONNX model. The edge: reads files, loads onnxruntime."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dooryard.classify import card as cards
from dooryard.classify import crop, labels, scores, sightings
from dooryard.errors import ModelError
from dooryard.records import Box, Frame, Picture, Rgb, Sighting

log = logging.getLogger(__name__)

BUILT_IN = Path(__file__).parent / "models" / "lite0.toml"
_REINSTALL = "install the package again, or build the model anew with tools/build_model.py"


class OnnxClassifier:
    """Crops, runs the network once per box, and reads its answer.

    `card_path` names a model's card; None is the model that comes with the package. Files are checked
    and the network is loaded here, so that a wrong model stops the start and not the first visitor.
    Raises ModelError for a file that is missing or not the one its card names, for a network that is
    not as its card says, and where onnxruntime cannot be loaded.
    """

    def __init__(self, card_path: Path | None = None, *, threads: int = 1) -> None:
        path = card_path or BUILT_IN
        self.card = cards.parse(_text(_bytes(path), path), str(path))
        table = path.with_name(self.card.labels)
        self._labels = labels.parse(
            _text(_verified(table, self.card.labels_sha256), table), self.card.classes, str(table)
        )
        self._places = scores.positions(self._labels)
        model = path.with_name(self.card.model)
        self._outputs = [name for name in (self.card.logits, self.card.features) if name]
        _verified(model, self.card.model_sha256)
        self._session = _session(model, threads)
        _check_shapes(self._session, self.card, model)
        self.small_crops = 0
        """How many boxes so far were too small in the picture to be told with confidence."""

    def look(self, frame: Frame, boxes: Sequence[Box]) -> tuple[Sighting, ...]:
        sightings.check(boxes)
        if not boxes:
            return ()
        pixels = sightings.lasting(frame)
        return tuple(self._sighting(frame, pixels, box) for box in boxes)

    def warm_up(self) -> None:
        """Run the network once on grey, so that the first visitor does not wait for its set-up."""
        side = self.card.side_px
        self._run(np.zeros((1, 3, side, side), dtype=np.float32))

    def _sighting(self, frame: Frame, pixels: Rgb, box: Box) -> Sighting:
        card = self.card
        part = crop.prepare(
            pixels, box, frame.exposure.gain, side=card.side_px, mean=card.mean, scale=card.scale
        )
        if part.window.small:
            self._note_small(frame)
        logits, features = self._run(part.tensor)
        try:
            reading = scores.read(logits, self._labels, self._places)
        except ValueError as error:
            raise ModelError(f"{card.model}: {error}", _REINSTALL) from error
        return Sighting(
            frame=frame.number,
            wall=frame.wall,
            mono_s=frame.mono_s,
            box=box,
            groups=reading.groups,
            species=reading.species,
            sharpness=part.sharpness,
            picture=Picture(frame.number, frame.wall, pixels, box),
            features=features,
        )

    def _run(self, tensor: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32] | None]:
        try:
            results = self._session.run(self._outputs, {self.card.input_name: tensor})
        except Exception as error:  # onnxruntime's errors have no base of their own
            raise ModelError(f"{self.card.model} failed: {error}", _REINSTALL) from error
        return results[0][0], results[1][0] if self.card.features else None

    def _note_small(self, frame: Frame) -> None:
        if not self.small_crops:  # once is enough: the count goes on
            log.warning(
                "frame %d: something moved on less than %d pixels: too small to be told with confidence; "
                "move the camera nearer or use a larger picture",
                frame.number,
                crop.MIN_SIDE_PX,
            )
        self.small_crops += 1


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise ModelError(f"{path}: cannot be read: {error.strerror}", _REINSTALL) from error


def _text(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise ModelError(f"{path}: not text in UTF-8", _REINSTALL) from error


def _verified(path: Path, digest: str) -> bytes:
    data = _bytes(path)
    found = hashlib.sha256(data).hexdigest()
    if found != digest:
        raise ModelError(
            f"{path}: not the file that its card names ({len(data)} bytes, sha256 {found[:12]}…, "
            f"expected {digest[:12]}…)",
            _REINSTALL,
        )
    return data


def _session(path: Path, threads: int) -> Any:
    try:
        import onnxruntime
    except ImportError as error:
        raise ModelError(
            f"onnxruntime cannot be loaded: {error}",
            "install it with pip in this program's environment; on a board it needs a 64-bit system",
        ) from error
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = threads
    options.inter_op_num_threads = 1
    # The input's shape never changes, so what the first run needed is what every run needs: an arena that
    # grows by just that much stays flat, and saves asking the system for the same memory at each look.
    options.enable_cpu_mem_arena = True
    options.enable_mem_pattern = True
    arena = {"arena_extend_strategy": "kSameAsRequested"}
    options.log_severity_level = 3  # errors only; they also come as exceptions
    options.add_session_config_entry("session.intra_op.allow_spinning", "0")  # idle threads cost heat
    try:
        # By its path: a session made from bytes keeps them.
        return onnxruntime.InferenceSession(str(path), options, providers=[("CPUExecutionProvider", arena)])
    except Exception as error:  # onnxruntime's errors have no base of their own
        raise ModelError(f"{path}: onnxruntime cannot load it: {error}", _REINSTALL) from error


def _check_shapes(session: Any, card: cards.Card, path: Path) -> None:
    expected = {card.input_name: [1, 3, card.side_px, card.side_px], card.logits: [1, card.classes]}
    if card.features:
        expected[card.features] = [1, card.feature_count]
    inputs = {entry.name: entry for entry in session.get_inputs()}
    outputs = {entry.name: entry for entry in session.get_outputs()}
    if set(inputs) != {card.input_name}:
        raise ModelError(f"{path}: its inputs are {sorted(inputs)}, the card says {card.input_name!r}", _CARD)
    for name, shape in expected.items():
        entry = inputs.get(name) or outputs.get(name)
        if entry is None:
            raise ModelError(f"{path}: it has no output {name!r}, only {sorted(outputs)}", _CARD)
        if list(entry.shape) != shape or entry.type != "tensor(float)":
            raise ModelError(
                f"{path}: {name!r} is {entry.shape} {entry.type}, the card says {shape} tensor(float)", _CARD
            )


_CARD = "use the card that belongs to this model, or " + _REINSTALL
