"""A network with its card and labels: reads the files, checks them, runs it. The edge: onnxruntime."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dooryard.classify import card as cards
from dooryard.classify import crop, labels, presence, runtime
from dooryard.classify.presence import Presence
from dooryard.core.errors import ModelError
from dooryard.core.text_files import MOST_BYTES, read_plain

REINSTALL = "install the package again, or rebuild the model with tools/build_model.py"

MOST_MODEL_BYTES = 500_000_000  # no board that this is for could hold a larger one in memory


class Network:
    """The network that the card at `path` names.

    Files are checked and the network is loaded here, so that a wrong model stops the start and not the
    first visitor. Raises ModelError for a file that is missing or not the one its card names, for a
    network that is not as its card says, and where onnxruntime cannot be loaded.
    """

    def __init__(self, path: Path, *, threads: int = 1) -> None:
        self.card = cards.parse(_text(_bytes(path, MOST_BYTES), path), str(path))
        table = path.with_name(self.card.labels)
        self.labels = labels.parse(
            _text(_verified(table, self.card.labels_sha256), table), self.card.classes, str(table)
        )
        self.presence = _presence(self.card, path)
        model = path.with_name(self.card.model)
        self._outputs = [name for name in (self.card.logits, self.card.features) if name]
        _verified(model, self.card.model_sha256)
        self._session = _session(model, threads)
        _check_shapes(self._session, self.card, model)

    def answer(self, planes: crop.Planes) -> tuple[NDArray[np.float32], NDArray[np.float32] | None]:
        """Return logits (C,) and features (D,), where there are any, for one crop's `planes`, each (S, S)."""
        card = self.card
        try:
            results = self._session.run(self._outputs, {card.input_name: as_input(card, planes)})
        except Exception as error:  # onnxruntime's errors have no base of their own
            raise ModelError(f"{card.model} failed: {error}", REINSTALL) from error
        return results[0][0], results[1][0] if card.features else None

    def warm_up(self) -> None:
        """Run it once on black, so that the first visitor does not wait for its set-up."""
        self.answer((np.zeros((self.card.side_px, self.card.side_px), dtype=np.uint8),) * 3)


def as_input(card: cards.ModelCard, planes: crop.Planes) -> NDArray[np.float32] | NDArray[np.uint8]:
    """Return `planes`, each (S, S), as the network of `card` takes them, (1, 3, S, S)."""
    if card.normalisation is None:
        return crop.stacked(planes)
    return crop.normalised(planes, *card.normalisation)


def _presence(card: cards.ModelCard, path: Path) -> Presence | None:
    if card.presence is None:
        return None
    table = path.with_name(card.presence)
    try:
        return presence.parse(
            _text(_verified(table, card.presence_sha256), table), card.feature_count, str(table)
        )
    except ValueError as error:
        raise ModelError(str(error), REINSTALL) from error


def _bytes(path: Path, most_bytes: int = MOST_MODEL_BYTES) -> bytes:
    try:
        data, status = read_plain(path, most_bytes)
    except OSError as error:
        raise ModelError(f"{path}: cannot be read: {error.strerror}", REINSTALL) from error
    if max(len(data), status.st_size) > most_bytes:
        raise ModelError(f"{path}: is longer than {most_bytes} bytes", REINSTALL)
    return data


def _text(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise ModelError(f"{path}: not text in UTF-8", REINSTALL) from error


def _verified(path: Path, digest: str) -> bytes:
    data = _bytes(path)
    found = hashlib.sha256(data).hexdigest()
    if found != digest:
        raise ModelError(
            f"{path}: not the file that its card names ({len(data)} bytes, sha256 {found[:12]}…, "
            f"expected {digest[:12]}…)",
            REINSTALL,
        )
    return data


def _session(path: Path, threads: int) -> Any:
    try:
        onnxruntime = runtime.load()
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
        raise ModelError(f"{path}: onnxruntime cannot load it: {error}", REINSTALL) from error


def _check_shapes(session: Any, card: cards.ModelCard, path: Path) -> None:
    wanted = "tensor(uint8)" if card.normalisation is None else "tensor(float)"
    expected = {
        card.input_name: ([1, 3, card.side_px, card.side_px], wanted),
        card.logits: ([1, card.classes], "tensor(float)"),
    }
    if card.features:
        expected[card.features] = ([1, card.feature_count], "tensor(float)")
    inputs = {entry.name: entry for entry in session.get_inputs()}
    outputs = {entry.name: entry for entry in session.get_outputs()}
    if set(inputs) != {card.input_name}:
        raise ModelError(f"{path}: its inputs are {sorted(inputs)}, the card says {card.input_name!r}", _CARD)
    for name, (shape, kind) in expected.items():
        entry = inputs.get(name) or outputs.get(name)
        if entry is None:
            raise ModelError(f"{path}: it has no output {name!r}, only {sorted(outputs)}", _CARD)
        if list(entry.shape) != shape or entry.type != kind:
            key = " by input.type" if name in inputs else ""
            raise ModelError(
                f"{path}: {name!r} is {entry.shape} {entry.type}, the card says {shape} {kind}{key}", _CARD
            )


_CARD = "use the card that belongs to this model, or " + REINSTALL
