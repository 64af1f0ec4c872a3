"""Write EfficientNet-Lite0 as an ONNX graph with numpy and onnx alone.

Architecture: Tan & Le 2019, "EfficientNet: Rethinking Model Scaling for Convolutional Neural
Networks", table 1, in its Lite form (no squeeze-and-excitation, ReLU6 for swish, stem and head not
scaled). Convolutions pad as TensorFlow's "SAME". Batch norms (epsilon 1e-3) are folded into them.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper

from dooryard.classify import crop
from dooryard.classify.crop import Planes

SIDE = 224  # pixels, input height and width
MEAN, SCALE = 127.0, 128.0  # (value - mean) / scale, as the network was trained
IMAGE, LOGITS, FEATURES = "image", "logits", "features"
_BN_EPSILON = 1e-3
_OPSET = 13
_STAGES = (  # repeats, kernel, stride, expansion, channels in, channels out
    (1, 3, 1, 1, 32, 16),
    (2, 3, 2, 6, 16, 24),
    (2, 5, 2, 6, 24, 40),
    (3, 3, 2, 6, 40, 80),
    (3, 5, 1, 6, 80, 112),
    (4, 5, 2, 6, 112, 192),
    (1, 3, 1, 6, 192, 320),
)


def as_trained(planes: Planes) -> NDArray[np.float32]:
    """Return what the float32 network takes, (1, 3, 224, 224), of `planes`, each (224, 224)."""
    return crop.normalised(planes, MEAN, SCALE)


class _Graph:
    """Nodes and constants as they are added, and the side of the feature map so far."""

    def __init__(self, weights: dict[str, NDArray[Any]]) -> None:
        self.weights = weights
        self.used: set[str] = set()
        self.nodes: list[onnx.NodeProto] = []
        self.constants: list[onnx.TensorProto] = []
        self.side = SIDE
        self.constant("zero", np.float32(0))
        self.constant("six", np.float32(6))

    def take(self, name: str) -> NDArray[Any]:
        self.used.add(name)
        return self.weights[name]

    def constant(self, name: str, value: Any) -> str:
        self.constants.append(numpy_helper.from_array(np.asarray(value), name))
        return name

    def add(self, kind: str, inputs: list[str], **attributes: Any) -> str:
        out = f"{kind.lower()}_{len(self.nodes) + 1}"
        self.nodes.append(helper.make_node(kind, inputs, [out], name=out, **attributes))
        return out

    def convolution(
        self, x: str, conv: str, norm: str, stride: int = 1, groups: int = 1, *, relu: bool = True
    ) -> str:
        """Add a convolution with its batch norm folded in, and ReLU6 after it if asked."""
        weight = self.take(f"{conv}.weight").astype(np.float64)
        self.used.add(f"{norm}.num_batches_tracked")
        gamma, beta, mean, variance = (
            self.take(f"{norm}.{part}").astype(np.float64)
            for part in ("weight", "bias", "running_mean", "running_var")
        )
        scale = gamma / np.sqrt(variance + _BN_EPSILON)
        folded = self.constant(f"{conv}.w", (weight * scale[:, None, None, None]).astype(np.float32))
        bias = self.constant(f"{conv}.b", (beta - mean * scale).astype(np.float32))
        kernel = weight.shape[2]
        out_side = math.ceil(self.side / stride)
        padding = max((out_side - 1) * stride + kernel - self.side, 0)
        before, after = padding // 2, padding - padding // 2
        self.side = out_side
        x = self.add(
            "Conv",
            [x, folded, bias],
            kernel_shape=[kernel, kernel],
            strides=[stride, stride],
            pads=[before, before, after, after],
            group=groups,
        )
        return self.add("Clip", [x, "zero", "six"]) if relu else x


def _block(
    graph: _Graph, x: str, prefix: str, channels: tuple[int, int], *, stride: int, expansion: int
) -> str:
    """Add one inverted residual block."""
    entry, (wide_in, wide_out) = x, channels
    if expansion != 1:
        x = graph.convolution(x, f"{prefix}_expand_conv", f"{prefix}_bn0")
    depthwise = f"{prefix}_depthwise_conv"
    x = graph.convolution(x, depthwise, f"{prefix}_bn1", stride, groups=wide_in * expansion)
    x = graph.convolution(x, f"{prefix}_project_conv", f"{prefix}_bn2", relu=False)
    return graph.add("Add", [x, entry]) if stride == 1 and wide_in == wide_out else x


def build(weights: dict[str, NDArray[Any]]) -> onnx.ModelProto:
    """Return the checked float32 model: image (1, 3, 224, 224) -> logits (1, 1000), features (1, 1280)."""
    graph = _Graph(weights)
    x = graph.convolution(IMAGE, "_conv_stem", "_bn0", stride=2)
    number = 0
    for repeats, _kernel, stride, expansion, wide_in, wide_out in _STAGES:
        for repeat in range(repeats):
            first = repeat == 0
            channels = (wide_in if first else wide_out, wide_out)
            prefix = f"_blocks.{number}."
            x = _block(graph, x, prefix, channels, stride=stride if first else 1, expansion=expansion)
            number += 1
    x = graph.convolution(x, "_conv_head", "_bn1")
    x = graph.add("GlobalAveragePool", [x])
    features = graph.add("Flatten", [x], axis=1)
    weight, bias = graph.take("_fc.weight"), graph.take("_fc.bias")
    logits = graph.add(
        "Gemm", [features, graph.constant("fc.w", weight), graph.constant("fc.b", bias)], transB=1
    )
    left = set(weights) - graph.used
    if left:
        raise ValueError(f"weights that no layer uses: {sorted(left)[:5]}")
    outputs = ((LOGITS, logits, bias.size), (FEATURES, features, weight.shape[1]))
    return _model(graph, outputs)


def _model(graph: _Graph, outputs: tuple[tuple[str, str, int], ...]) -> onnx.ModelProto:
    for name, source, _size in outputs:
        graph.nodes.append(helper.make_node("Identity", [source], [name]))
    proto = helper.make_graph(
        graph.nodes,
        "efficientnet-lite0",
        [helper.make_tensor_value_info(IMAGE, TensorProto.FLOAT, [1, 3, SIDE, SIDE])],
        [helper.make_tensor_value_info(name, TensorProto.FLOAT, [1, size]) for name, _, size in outputs],
        graph.constants,
    )
    model = helper.make_model(
        proto, opset_imports=[helper.make_opsetid("", _OPSET)], producer_name="dooryard"
    )
    model.ir_version = 8  # what onnxruntime 1.18 still reads
    onnx.checker.check_model(model, full_check=True)
    return model
