"""The shipped model's files: what its card says, and that no processor's int8 sums saturate."""

import hashlib
import tomllib

import numpy as np
import onnx
import pytest
from onnx import numpy_helper
from scipy import ndimage

from dooryard.classify import crop
from dooryard.classify.onnx import BUILT_IN

CARD = tomllib.loads(BUILT_IN.read_text())
MODEL = onnx.load(BUILT_IN.with_name(CARD["model"]))


@pytest.mark.parametrize("part", ["model", "labels"])
def test_digests(part):
    data = BUILT_IN.with_name(CARD[part]).read_bytes()
    assert hashlib.sha256(data).hexdigest() == CARD[f"{part}_sha256"]


def test_notice_is_there():
    notice = BUILT_IN.with_name(CARD["notice"]).read_text()
    assert "Apache License, Version 2.0" in notice
    assert CARD["origin"]["weights_package"] in notice


def test_size():
    assert len(BUILT_IN.with_name(CARD["model"]).read_bytes()) < 5.5e6


def test_no_pair_of_products_saturates():
    """x86's `vpmaddubsw` (Intel's instruction set reference) adds two products of an unsigned and a signed
    byte with saturation to 16 bits. It must never have to, whatever the activations are."""
    values = {constant.name: numpy_helper.to_array(constant) for constant in MODEL.graph.initializer}
    seen = 0
    for name, weights in values.items():
        pointwise = weights.ndim == 4 and weights.shape[1] > 1
        if weights.dtype != np.int8 or not (pointwise or (weights.ndim == 2 and weights.shape[1] > 1)):
            continue
        assert not values[name.replace("_quantized", "_zero_point")].any()
        rows = weights.reshape(len(weights), -1).astype(np.int64)
        for part in (np.maximum(rows, 0), np.minimum(rows, 0)):
            pairs = 255 * (part[:, 1:] + part[:, :-1])
            assert pairs.min() >= -(2**15)
            assert pairs.max() < 2**15
        seen += 1
    assert seen == 33  # 15 expansions, 16 projections, the head, the last matrix


def test_depthwise_weights_use_all_eight_bits():
    """Save in a few dead channels, whose weights are all next to nothing."""
    depthwise = [
        numpy_helper.to_array(constant)
        for constant in MODEL.graph.initializer
        if constant.data_type == onnx.TensorProto.INT8 and len(constant.dims) == 4 and constant.dims[1] == 1
    ]
    assert len(depthwise) == 16
    assert all((np.abs(weights.astype(int)).max(axis=(1, 2, 3)) == 127).mean() > 0.9 for weights in depthwise)


def test_sharpness_against_scipy():
    """Variance of scipy's own Laplacian over the inner pixels."""
    picture = np.random.default_rng(4).integers(0, 256, (224, 224, 3)).astype(np.uint8)
    image = crop.Image.fromarray(picture)
    grey = np.asarray(image.convert("L"), dtype=np.float64)
    expected = ndimage.laplace(grey)[1:-1, 1:-1].var()
    assert crop.sharpness(image) == pytest.approx(expected, rel=1e-12)
