"""Rewrite a float32 network so that it computes the same, and loses less when it becomes int8.

Between the blocks of the network values run through additions and 1 x 1 convolutions alone, with no ReLU6
between. There each channel can be moved and scaled: what a convolution adds to its output by another bias and
by other weights, those that read it take back. int8 gives all channels of a value one range, so each channel
is moved to lie around 0 and brought nearer to the widest. Half of the way (the square root), since what the
channels win the weights that read them lose. (Equalisation: Nagel et al. 2019, "Data-free quantization
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

_NARROWEST = 0.01  # of the widest channel's reach: a dead channel is not blown up


@dataclass
class Stream:
    """Values that are added to each other, and so have their channels moved and scaled alike."""

    writers: list[onnx.NodeProto] = field(default_factory=list)  # convolutions and additions, in order
    readers: list[onnx.NodeProto] = field(default_factory=list)  # 1 x 1 convolutions

    @property
    def values(self) -> list[str]:
        """The names of its values."""
        return [node.output[0] for node in self.writers]


def streams(model: onnx.ModelProto) -> list[Stream]:
    """Return the values between ReLU6 and the next convolution, those that are added to each other as one."""
    clipped = {node.input[0] for node in model.graph.node if node.op_type == "Clip"}
    of: dict[str, Stream] = {}
    found: list[Stream] = []
    for node in model.graph.node:
        if node.op_type == "Conv" and node.input[0] in of:
            of[node.input[0]].readers.append(node)
        if node.op_type == "Conv" and node.output[0] not in clipped:
            of[node.output[0]] = Stream([node])
            found.append(of[node.output[0]])
        elif node.op_type == "Add":
            first, second = (of[name] for name in node.input)
            kept, other = sorted((first, second), key=found.index)
            kept.writers += [*other.writers, node]
            found.remove(other)
            for name in kept.values:
                of[name] = kept
    return found


def equalised(model: onnx.ModelProto, folder: Path) -> onnx.ModelProto:
    """Return `model`, float32, with its streams moved and scaled; `folder` holds the wheels of the crops."""
    constants = {
        constant.name: numpy_helper.to_array(constant).astype(np.float64)
        for constant in model.graph.initializer
    }
    found = streams(model)
    ranges = _ranges(model, [name for stream in found for name in stream.values], folder)
    changed = set()
    for stream in found:
        moved, scale = _moved(stream, ranges)
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


def _moved(
    stream: Stream, ranges: dict[str, NDArray[np.float64]]
) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
    """What is taken from each value of `stream`, by channel (C,), and what it is then divided by (C,)."""
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
    """Name -> (2, C), the least and the greatest of each channel over the crops."""
    found: dict[str, NDArray[np.float64]] = {}
    for seen in watched(model, names, folder):
        for name, values in seen.items():
            ends = np.stack([values.min(axis=1), values.max(axis=1)]).astype(np.float64)
            before = found.get(name, ends)
            found[name] = np.stack([np.minimum(before[0], ends[0]), np.maximum(before[1], ends[1])])
    return found
