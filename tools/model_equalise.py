"""Rewrite a float32 network so that it computes the same, and loses less when it becomes int8.

Between the blocks of the network values run through additions and 1 x 1 convolutions alone, with no ReLU6
between. There each channel can be moved and scaled: what a convolution adds to its output by another bias and
by other weights, those that read it take back. int8 gives all channels of a value one range, so each channel
is moved to lie around 0 and brought nearer to the widest. It is brought half of the way (by the square root):
what a channel gains, the weights that read it lose. (Equalisation: Nagel et al. 2019, "Data-free quantization
through weight equalization and bias correction", ICCV, there of weights; cited from memory. The moving is
our own.)
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import numpy_helper

from model_crops import watched

_NARROWEST = 0.01  # of the widest channel's reach: a channel is blown up ten times at most


@dataclass(eq=False)
class Stream:
    """Values that are added to each other, and so have their channels moved and scaled alike."""

    writers: list[onnx.NodeProto] = field(default_factory=list)  # convolutions and additions, in order
    readers: list[onnx.NodeProto] = field(default_factory=list)  # convolutions

    @property
    def values(self) -> list[str]:
        """The names of its values."""
        return [node.output[0] for node in self.writers]


def streams(model: onnx.ModelProto) -> list[Stream]:
    """Return what convolutions give and only additions and 1 x 1 convolutions read, sums with their parts."""
    of: dict[str, Stream] = {}
    found: list[Stream] = []
    for node in model.graph.node:
        if node.op_type == "Conv" and node.input[0] in of:
            of[node.input[0]].readers.append(node)
        if node.op_type == "Conv":
            of[node.output[0]] = Stream([node])
            found.append(of[node.output[0]])
        elif node.op_type == "Add" and all(name in of for name in node.input):
            first, second = sorted((of[name] for name in node.input), key=found.index)
            if first is not second:
                first.writers += second.writers
                first.readers += second.readers
                found.remove(second)
            first.writers.append(node)
            for name in first.values:
                of[name] = first
    return [stream for stream in found if _movable(stream, model)]


def _movable(stream: Stream, model: onnx.ModelProto) -> bool:
    """Whether all that reads the values of `stream` can take back what is done to them."""
    sizes = {constant.name: list(constant.dims) for constant in model.graph.initializer}
    values, known = set(stream.values), [*stream.writers, *stream.readers]
    width = {sizes[node.input[1]][0] for node in stream.writers if node.op_type == "Conv"}
    return (
        all(node in known for node in model.graph.node if values & set(node.input))
        and values.isdisjoint(output.name for output in model.graph.output)
        and all(sizes[node.input[1]][1:] == [*width, 1, 1] for node in stream.readers)
    )


def equalised(model: onnx.ModelProto, folder: Path) -> onnx.ModelProto:
    """Return `model`, float32, with its streams moved and scaled; `folder` holds the wheels of the crops."""
    constants = {
        constant.name: numpy_helper.to_array(constant).astype(np.float64)
        for constant in model.graph.initializer
    }
    found = streams(model)
    if not found:
        return model
    ranges = _ranges(model, [name for stream in found for name in stream.values], folder)
    changed = set()
    for stream in found:
        moved, scale = _moves_and_scales(stream, ranges)
        for node in stream.writers:
            if node.op_type == "Conv":
                _, weight, bias = node.input
                constants[weight] /= scale[:, None, None, None]
                constants[bias] = (constants[bias] - moved[node.output[0]]) / scale
                changed |= {weight, bias}
        for node in stream.readers:
            value, weight, bias = node.input
            constants[bias] = constants[bias] + constants[weight][:, :, 0, 0] @ moved[value]
            constants[weight] = constants[weight] * scale[:, None, None]
            changed |= {weight, bias}
    done = onnx.ModelProto()
    done.CopyFrom(model)
    for constant in done.graph.initializer:
        if constant.name in changed:
            value = constants[constant.name].astype(np.float32)
            constant.CopyFrom(numpy_helper.from_array(value, constant.name))
    return done


def _moves_and_scales(
    stream: Stream, ranges: dict[str, NDArray[np.float64]]
) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
    """Return what is taken from each value, by channel (C,), and what they all are then divided by (C,)."""
    moved: dict[str, NDArray[np.float64]] = {}
    for node in stream.writers:
        out = node.output[0]
        if node.op_type == "Conv":
            moved[out] = ranges[out].mean(axis=0)
        else:
            moved[out] = moved[node.input[0]] + moved[node.input[1]]
    reach = np.max([np.abs(ranges[name] - by).max(axis=0) for name, by in moved.items()], axis=0)
    widest = float(reach.max())
    return moved, np.sqrt(np.maximum(reach / widest, _NARROWEST))


def _ranges(model: onnx.ModelProto, names: list[str], folder: Path) -> dict[str, NDArray[np.float64]]:
    """Return name -> (2, C), the least and the greatest of each channel over the crops."""
    found: dict[str, NDArray[np.float64]] = {}
    for seen in watched(model, names, folder):
        for name, values in seen.items():
            ends = np.stack([values.min(axis=1), values.max(axis=1)]).astype(np.float64)
            before = found.get(name, ends)
            found[name] = np.stack([np.minimum(before[0], ends[0]), np.maximum(before[1], ends[1])])
    return found
