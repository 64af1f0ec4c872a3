"""Turn a quantised TFLite image classifier into an ONNX model with a card. Needs numpy and onnx alone.

    python tools/convert_tflite.py birds.tflite labels.txt OUT_FOLDER [--name NAME]

OUT_FOLDER gets `NAME.onnx`, `NAME-labels.csv` and `NAME.toml`, which the box file then names as a model's
card. The same whole numbers are kept, in QuantizeLinear/DequantizeLinear form, so that the runtime computes
in int8. The softmax is dropped: "logits" are floats, not rounded to 8 bits; "features" is the pooled vector
before the last layer. Lines of the labels are `Scientific name (Common Name)`; others have no group.

Kernels of different runtimes round differently, so expect the same top class nearly always, not equal bits.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import io
import math
import re
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper

from model_tflite import Graph, Kind, NotUnderstoodError, Operator, Tensor, read

IMAGE, LOGITS, FEATURES = "image", "logits", "features"
_OPSET = 13
_NO_ACTIVATION, _RELU, _RELU6 = 0, 1, 3  # of the schema


class _Writer:
    """The ONNX graph as it grows; `names` maps a tensor's number to the ONNX value that holds it."""

    def __init__(self, graph: Graph) -> None:
        self.graph = graph
        self.names: dict[int, str] = {}
        self.nodes: list[onnx.NodeProto] = []
        self.constants: dict[str, onnx.TensorProto] = {}
        self.features = ""
        self.feature_count = 0
        entry = graph.tensors[graph.entry]
        zero = entry.zero - np.iinfo(entry.dtype).min  # signed files count the picture's bytes from -128
        steps = self.steps(replace(entry, dtype=np.dtype("u1"), zero=zero), IMAGE)
        self.names[graph.entry] = self.add("DequantizeLinear", [IMAGE, *steps])

    def constant(self, name: str, value: NDArray[Any] | np.generic) -> str:
        self.constants.setdefault(name, numpy_helper.from_array(np.ascontiguousarray(value), name))
        return name

    def scalar(self, name: str, value: Any) -> str:
        self.constants.setdefault(name, numpy_helper.from_array(np.asarray(value), name))
        return name

    def add(self, kind: str, inputs: list[str], **attributes: Any) -> str:
        out = f"{kind.lower()}_{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, inputs, [out], name=out, **attributes))
        return out

    def weight(self, number: int, order: tuple[int, ...] | None) -> str:
        """A constant in ONNX's order, dequantised along its first axis where it has many scales."""
        tensor = self.graph.tensors[number]
        if tensor.values is None:
            raise NotUnderstoodError(f"tensor {number} should be a constant")
        values = tensor.values if order is None else tensor.values.transpose(order)
        name = f"w{number}"
        if values.dtype.kind == "f":
            return self.constant(name, values)
        axis = {"axis": 0} if tensor.per_channel else {}
        return self.add("DequantizeLinear", [self.constant(name, values), *self.steps(tensor, name)], **axis)

    def steps(self, tensor: Tensor, name: str) -> list[str]:
        """The names of a tensor's scale and zero."""
        scale, zero = tensor.scale.astype(np.float32), tensor.zero.astype(tensor.dtype)
        if tensor.per_channel:
            return [self.constant(f"{name}.scale", scale), self.constant(f"{name}.zero", zero)]
        return [self.scalar(f"{name}.scale", scale[0]), self.scalar(f"{name}.zero", zero[0])]

    def rounded(self, value: str, number: int) -> str:
        """Round to the 8 bits of tensor `number`, as the file does between its layers."""
        steps = self.steps(self.graph.tensors[number], f"a{number}")
        return self.add("DequantizeLinear", [self.add("QuantizeLinear", [value, *steps]), *steps])

    def activated(self, value: str, activation: int, number: int) -> str:
        """Clip as the fused activation does, unless the 8 bits of tensor `number` clip there anyway."""
        if activation == _NO_ACTIVATION:
            return value
        if activation not in (_RELU, _RELU6):
            raise NotUnderstoodError(f"activation {activation} is not understood")
        tensor = self.graph.tensors[number]
        limits = np.iinfo(tensor.dtype)
        low, high = ((end - int(tensor.zero[0])) * float(tensor.scale[0]) for end in (limits.min, limits.max))
        top, half = (6.0 if activation == _RELU6 else math.inf), float(tensor.scale[0]) / 2
        if abs(low) < half and high < top + half:
            return value
        if activation == _RELU:
            return self.add("Relu", [value])
        zero, six = self.scalar("zero", np.float32(0)), self.scalar("six", np.float32(6))
        return self.add("Clip", [value, zero, six])

    def step(self, operator: Operator) -> None:
        """Write one operator."""
        x, out = self.names[operator.inputs[0]], operator.output
        kind = operator.kind
        if kind in (Kind.CONV, Kind.DEPTHWISE_CONV):
            self.names[out] = self.convolution(x, operator)
        elif kind is Kind.ADD:
            total = self.add("Add", [x, self.names[operator.inputs[1]]])
            self.names[out] = self.rounded(self.activated(total, operator.option(0, "b"), out), out)
        elif kind is Kind.AVERAGE_POOL:
            if self.graph.tensors[out].shape[1:3] != (1, 1):
                raise NotUnderstoodError("only pooling over the whole picture is understood")
            pooled = self.rounded(self.add("GlobalAveragePool", [x]), out)
            self.features = self.names[out] = self.add("Flatten", [pooled], axis=1)
            self.feature_count = self.graph.tensors[out].shape[-1]
        elif kind is Kind.FULLY_CONNECTED:
            weights = [self.weight(number, None) for number in operator.inputs[1:3]]
            self.names[out] = self.add("Gemm", [x, *weights], transB=1)
        elif kind in (Kind.RESHAPE, Kind.SOFTMAX):  # what comes in is flat already; logits are wanted
            self.names[out] = x

    def convolution(self, x: str, operator: Operator) -> str:
        depthwise = operator.kind is Kind.DEPTHWISE_CONV
        if depthwise and operator.option(3, default=1) != 1:
            raise NotUnderstoodError("a depth multiplier is not understood")
        shape = self.graph.tensors[operator.inputs[1]].shape
        kernel = list(shape[1:3])
        strides = [operator.option(2, default=1), operator.option(1, default=1)]
        wide, high = (5, 6) if depthwise else (4, 5)
        spread = [operator.option(high, default=1), operator.option(wide, default=1)]
        sizes = self.graph.tensors[operator.inputs[0]].shape[1:3]
        same = operator.option(0, "b") == 0
        pads = [
            same_padding(*sizes_of) if same else (0, 0)
            for sizes_of in zip(sizes, kernel, strides, spread, strict=True)
        ]
        weight = self.weight(operator.inputs[1], (3, 0, 1, 2) if depthwise else (0, 3, 1, 2))
        value = self.add(
            "Conv",
            [x, weight, self.weight(operator.inputs[2], None)],
            kernel_shape=kernel,
            strides=strides,
            dilations=spread,
            pads=[pads[0][0], pads[1][0], pads[0][1], pads[1][1]],
            group=shape[3] if depthwise else 1,
        )
        activation = operator.option(4 if depthwise else 3, "b")
        return self.rounded(self.activated(value, activation, operator.output), operator.output)


def same_padding(size: int, kernel: int, stride: int, spread: int) -> tuple[int, int]:
    """Before and after, as TensorFlow's "SAME" pads: what is odd comes after."""
    whole = max((math.ceil(size / stride) - 1) * stride + (kernel - 1) * spread + 1 - size, 0)
    return whole // 2, whole - whole // 2


def convert(data: bytes) -> onnx.ModelProto:
    """Return the ONNX model of a TFLite file. Raises NotUnderstoodError for what is not understood."""
    graph = read(data)
    entry, result = graph.tensors[graph.entry], graph.tensors[graph.result]
    if (
        len(entry.shape) != 4
        or entry.shape[3] != 3
        or entry.shape[1] != entry.shape[2]
        or not entry.scale.size
        or entry.dtype not in (np.uint8, np.int8)
    ):
        raise NotUnderstoodError(f"the input {entry.shape} is not a quantised square RGB picture")
    writer = _Writer(graph)
    for operator in graph.operators:
        writer.step(operator)
    if not writer.features:
        raise NotUnderstoodError("there is no pooled layer to take features from")
    outputs = {LOGITS: (writer.names[graph.result], result.shape[-1])}
    outputs[FEATURES] = (writer.features, writer.feature_count)
    nodes = [
        *writer.nodes,
        *(helper.make_node("Identity", [old], [name], name=name) for name, (old, _) in outputs.items()),
    ]
    side = entry.shape[1]
    image = helper.make_tensor_value_info(IMAGE, TensorProto.UINT8, [1, 3, side, side])
    infos = [
        helper.make_tensor_value_info(name, TensorProto.FLOAT, [1, count])
        for name, (_, count) in outputs.items()
    ]
    whole = helper.make_graph(nodes, "converted", [image], infos, list(writer.constants.values()))
    model = helper.make_model(whole, opset_imports=[helper.make_opsetid("", _OPSET)])
    model.ir_version = 8
    onnx.checker.check_model(model, full_check=True)
    return model


_SPECIES_OF_PARTS = {
    "Anser cygnoides": "swan goose",
    "Anthus novaeseelandiae": "new zealand pipit",
    "Ninox novaeseelandiae": "morepork",
    "Petroica australis": "new zealand robin",
    "Petroica macrocephala": "tomtit",
}
"""Names of species of which a label list may have subspecies alone."""

_LABEL = re.compile(r"([A-Z][a-z]+ [a-z-]+)( [a-z]+)? \((.+)\)")


def labels_csv(text: str) -> str:
    """The label table of lines `Scientific name (Common Name)`, all birds; other lines get no group.

    A subspecies (three words) is put down as its species, so that its probability counts for that.
    """
    lines = [line.strip() for line in text.splitlines()]
    found = [_LABEL.fullmatch(line) for line in lines]
    species = _SPECIES_OF_PARTS | {match[1]: match[3].lower() for match in found if match and not match[2]}
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("index", "name", "scientific", "group", "trust", "reason"))
    for index, (line, match) in enumerate(zip(lines, found, strict=True)):
        if match is None:
            writer.writerow((index, line.lower() or "-", "", "", "no", "not a species"))
            continue
        scientific, part, name = match.groups()
        reason = f"of that species: {scientific}{part}, {name}" if part else "a class of its own"
        writer.writerow((index, species.get(scientific, name.lower()), scientific, "bird", "yes", reason))
    return out.getvalue()


_CARD = """\
# Made by tools/convert_tflite.py from a file with sha256 {source}.
name = "{name}"
model = "{name}.onnx"
model_sha256 = "{model}"
labels = "{name}-labels.csv"
labels_sha256 = "{labels}"

[input]
name = "{image}"
layout = "NCHW"
type = "uint8"
side_px = {side}
channels = "RGB"

[outputs]
logits = "{logits}"
classes = {classes}
features = "{features}"
feature_count = {feature_count}
"""


def files(data: bytes, labels: str, name: str) -> dict[str, bytes]:
    """File name -> bytes of the model, its label table and its card."""
    model, graph, table = convert(data), read(data), labels_csv(labels).encode()
    entry = graph.tensors[graph.entry]
    raw = bytes(model.SerializeToString(deterministic=True))
    classes, count = (output.type.tensor_type.shape.dim[1].dim_value for output in model.graph.output)
    card = _CARD.format(
        source=hashlib.sha256(data).hexdigest(),
        name=name,
        model=hashlib.sha256(raw).hexdigest(),
        labels=hashlib.sha256(table).hexdigest(),
        image=IMAGE,
        side=entry.shape[1],
        logits=LOGITS,
        classes=classes,
        features=FEATURES,
        feature_count=count,
    )
    return {f"{name}.onnx": raw, f"{name}-labels.csv": table, f"{name}.toml": card.encode()}


def main() -> int:
    arguments = argparse.ArgumentParser(description="Convert a TFLite image classifier to ONNX.")
    arguments.add_argument("model", type=Path)
    arguments.add_argument("labels", type=Path)
    arguments.add_argument("out", type=Path, help="folder for the three files")
    arguments.add_argument("--name", default="birds")
    given = arguments.parse_args()
    try:
        made = files(given.model.read_bytes(), given.labels.read_text(encoding="utf-8"), given.name)
    except NotUnderstoodError as error:
        print(f"{given.model}: {error}", file=sys.stderr)
        return 1
    given.out.mkdir(parents=True, exist_ok=True)
    for name, data in made.items():
        (given.out / name).write_bytes(data)
        print(f"{name}: {len(data)} bytes, sha256 {hashlib.sha256(data).hexdigest()}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
