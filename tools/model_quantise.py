"""Turn the float32 network into int8, calibrated on photographs that anyone can fetch.

Seeded crops of photographs (see `model_crops`) calibrate the ranges of the activations. Before that, channels
are brought nearer to each other (see `model_equalise`).

int8 kernels on x86 processors without the newer dot products multiply unsigned activations by signed
weights and add neighbouring products in 16 bits, which saturates when two neighbouring weights of one
sign add up to more than 128 (255 * 128 < 2**15). The usual cure halves the resolution of all
weights. Here each output channel of a 1 x 1 convolution and of the last matrix gets the finest scale at
which no such pair exists; depthwise convolutions, whose kernels add in 32 bits (read in
onnxruntime's `qdwconv_avx2.cpp`), keep all 8 bits. So every processor comes to the same whole-number sums.

The first convolution and the first two blocks (0.1 % of the weights) stay in float32: what is lost there goes
through all the others. Logits stay float32 too, since 256 steps would tie and clip the top scores.

The network takes the picture's bytes, and its first node makes them (value - mean) / scale: that is exact,
and done by the runtime.

Rounded weights shift each channel's mean, and the shifts add up from layer to layer. So each bias takes them
back: it gets what the weights lost, times the mean of what comes in over the calibration crops (bias
correction: Nagel et al. 2019, "Data-free quantization through weight equalization and bias correction", ICCV,
with measured means; cited from memory). It costs nothing when the network runs.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper

from dooryard.classify import runtime
from model_crops import crops, watched
from model_equalise import equalised
from model_graph import IMAGE, MEAN, SCALE, as_trained

quantization = runtime.load("quantization")

_FLOAT = ("_blocks.0.", "_blocks.1.")  # weights so named, and the first convolution's, stay float32


class _Reader(quantization.CalibrationDataReader):  # type: ignore[misc,name-defined]  # it has no types
    def __init__(self, folder: Path) -> None:
        self._crops = crops(folder)

    def get_next(self) -> dict[str, Any] | None:
        crop = next(self._crops, None)
        return None if crop is None else {IMAGE: as_trained(crop)}


def pair_limit(weight: NDArray[Any]) -> NDArray[np.float64]:
    """Return, per output channel of a (O, I, 1, 1) or (O, I) weight, the value that is to become 127.

    It is the largest of all magnitudes and of all sums of two neighbours of one sign along I.
    """
    rows = weight.reshape(weight.shape[0], -1).astype(np.float64)
    limit = np.abs(rows).max(axis=1)
    for part in (np.maximum(rows, 0), np.maximum(-rows, 0)):
        limit = np.maximum(limit, (part[:, 1:] + part[:, :-1]).max(axis=1))
    return np.asarray(limit, dtype=np.float64)


def _scales(model: onnx.ModelProto) -> dict[str, list[dict[str, Any]]]:
    """Weight name -> per-channel directions for onnxruntime, as the module's docstring says."""
    weights = {constant.name: numpy_helper.to_array(constant) for constant in model.graph.initializer}
    full: dict[str, Any] = {"quant_type": quantization.QuantType.QInt8, "reduce_range": False}
    found = {}
    for node in model.graph.node:
        if not _int8(node):
            continue
        name = node.input[1]
        directions = [dict(full)]
        if weights[name].shape[1] > 1:  # not depthwise
            limits = pair_limit(weights[name]).astype(np.float32)
            directions = [{**full, "rmin": -limit, "rmax": limit} for limit in limits]
        directions[0]["axis"] = 0
        found[name] = directions
    return found


def _int8(node: onnx.NodeProto) -> bool:
    """Whether the weights of `node` become int8."""
    matrix = node.op_type in {"Conv", "Gemm"}
    return matrix and IMAGE not in node.input and not node.input[1].startswith(_FLOAT)


def quantise(model: onnx.ModelProto, folder: Path) -> bytes:
    """Return the int8 model's bytes; `folder` holds the wheels of `model_crops.SOURCES`."""
    level = equalised(model, folder)
    small = _quantised(corrected(level, _quantised(level, folder), folder), folder)
    return _lean(taking_bytes(small))


def taking_bytes(model: onnx.ModelProto) -> onnx.ModelProto:
    """Return `model` with an input of bytes, which it makes (value - mean) / scale itself."""
    done = onnx.ModelProto()
    done.CopyFrom(model)
    (entry,) = done.graph.input
    entry.type.tensor_type.elem_type = TensorProto.UINT8
    inside = f"{IMAGE}.normalised"
    for node in done.graph.node:
        node.input[:] = [inside if name == IMAGE else name for name in node.input]
    step, zero = f"{IMAGE}.step", f"{IMAGE}.zero"
    done.graph.initializer.extend(
        [
            numpy_helper.from_array(np.array(1 / SCALE, dtype=np.float32), step),
            numpy_helper.from_array(np.array(MEAN, dtype=np.uint8), zero),
        ]
    )
    first = helper.make_node("DequantizeLinear", [IMAGE, step, zero], [inside], name=inside)
    done.graph.node.insert(0, first)
    return done


def corrected(model: onnx.ModelProto, small: onnx.ModelProto, folder: Path) -> onnx.ModelProto:
    """Return `model` with the biases that take back what the weights of `small`, its int8 form, shift."""
    done, rounded = onnx.ModelProto(), _rounded(small)
    done.CopyFrom(model)
    constants = {constant.name: constant for constant in done.graph.initializer}
    means = _mean_inputs(model, folder)
    for node in filter(_int8, model.graph.node):
        _, weight, bias = node.input
        lost = numpy_helper.to_array(constants[weight]).astype(np.float64) - rounded[weight]
        lost = lost.reshape(*lost.shape[:2], -1).sum(axis=2)  # (O, I): the picture's edge is left out
        mean = means[node.input[0]]
        shift = lost[:, 0] * mean if lost.shape[1] == 1 else lost @ mean
        value = (numpy_helper.to_array(constants[bias]) + shift).astype(np.float32)
        constants[bias].CopyFrom(numpy_helper.from_array(value, bias))
    return done


def _rounded(small: onnx.ModelProto) -> dict[str, NDArray[np.float64]]:
    """Weight name -> its values in the int8 model."""
    constants = {constant.name: numpy_helper.to_array(constant) for constant in small.graph.initializer}
    found = {}
    for node in small.graph.node:
        whole = constants.get(node.input[0]) if node.op_type == "DequantizeLinear" else None
        if whole is not None and whole.dtype == np.int8:
            scale = constants[node.input[1]].reshape(-1, *[1] * (whole.ndim - 1))
            found[node.input[0].removesuffix("_quantized")] = whole * scale.astype(np.float64)
    return found


def _mean_inputs(model: onnx.ModelProto, folder: Path) -> dict[str, NDArray[np.float64]]:
    """Name of what goes into an int8 layer -> (I,) its mean per channel over the calibration crops."""
    names = list(dict.fromkeys(node.input[0] for node in model.graph.node if _int8(node)))
    answers = [[values.mean(axis=1) for values in seen.values()] for seen in watched(model, names, folder)]
    means = (np.mean(seen, axis=0) for seen in zip(*answers, strict=True))
    return dict(zip(names, means, strict=True))


def _quantised(model: onnx.ModelProto, folder: Path) -> onnx.ModelProto:
    with tempfile.TemporaryDirectory() as scratch:
        plain, ready, done = (str(Path(scratch) / name) for name in ("plain.onnx", "ready.onnx", "int8.onnx"))
        onnx.save(model, plain)
        runtime.load("quantization.shape_inference").quant_pre_process(plain, ready, skip_symbolic_shape=True)
        prepared = onnx.load(ready)
        quantization.quantize_static(
            ready,
            done,
            _Reader(folder),
            quant_format=quantization.QuantFormat.QDQ,
            activation_type=quantization.QuantType.QUInt8,
            weight_type=quantization.QuantType.QInt8,
            per_channel=True,
            nodes_to_exclude=[
                node.name for node in prepared.graph.node if node.op_type == "Conv" and not _int8(node)
            ],
            calibrate_method=quantization.CalibrationMethod.MinMax,
            extra_options={
                "OpTypesToExcludeOutputQuantization": ["Gemm"],
                "TensorQuantOverrides": _scales(prepared),
            },
        )
        return onnx.load(done)


def _lean(model: onnx.ModelProto) -> bytes:
    """Serialise, without the operator sets that onnxruntime lists but the graph does not use."""
    used = {node.domain for node in model.graph.node}
    kept = [entry for entry in model.opset_import if entry.domain in used]
    del model.opset_import[:]
    model.opset_import.extend(kept)
    onnx.checker.check_model(model, full_check=True)
    return bytes(model.SerializeToString(deterministic=True))
