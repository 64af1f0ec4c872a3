"""The shipped model's files: what its card says, that no processor's int8 sums saturate, flat memory."""

import hashlib
import tomllib

import numpy as np
import onnx
import psutil
import pytest
from onnx import numpy_helper
from skimage import data

from dooryard.classify import crop, runtime
from dooryard.classify.onnx import BUILT_IN, OnnxClassifier
from dooryard.core.records import Box
from unit.classify.builders import LargePicture, frame, noise

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
    assert seen == 30  # 14 expansions, 14 projections, the head, the last matrix


def test_depthwise_weights_use_all_eight_bits():
    """Save in a few dead channels, whose weights are all next to nothing."""
    depthwise = [
        numpy_helper.to_array(constant)
        for constant in MODEL.graph.initializer
        if constant.data_type == onnx.TensorProto.INT8 and len(constant.dims) == 4 and constant.dims[1] == 1
    ]
    assert len(depthwise) == 14  # those of the first two blocks are float32
    assert all((np.abs(weights.astype(int)).max(axis=(1, 2, 3)) == 127).mean() > 0.9 for weights in depthwise)


def test_int8_kernels_say_what_exact_arithmetic_says():
    """The same graph as it is written, in float32, which holds the sums of its whole numbers exactly.

    Whole photographs of scikit-image. (tools/measure_model.py compares on many more: the same top class on 97
    of 100 crops of empty places and gardens, since an activation between two steps may round either way.)
    """
    plain = runtime.load().SessionOptions()
    plain.graph_optimization_level = runtime.load().GraphOptimizationLevel.ORT_DISABLE_ALL
    path, runs = BUILT_IN.with_name(CARD["model"]), []
    for options in (runtime.load().SessionOptions(), plain):
        session = runtime.load().InferenceSession(path, options, providers=["CPUExecutionProvider"])
        runs.append(lambda image, session=session: session.run(["logits"], {"image": image})[0][0])
    gaps = []
    for name in ("chelsea", "coffee", "rocket", "astronaut"):
        whole = crop.prepare(getattr(data, name)(), Box(0, 0, 1, 1), None, side=224)
        kernels, exact = (run(crop.stacked(whole.planes)) for run in runs)
        assert kernels.argmax() == exact.argmax()
        gaps.append(np.abs(kernels - exact).max())
    assert np.median(gaps) < 1.0  # of logits that span about 15


def test_memory_stays_flat():
    """The resident set over 200 looks after the first 20; `tools/bench_classifier.py --steady 10000` shows
    the same over 10,000."""
    classifier, process = OnnxClassifier(), psutil.Process()
    picture = frame(LargePicture(noise(480, 640)))
    held = []
    for number in range(220):
        classifier.look(picture, [Box(0.2, 0.2, 0.21 + 0.002 * (number % 200), 0.7)])
        if number in (20, 219):
            held.append(process.memory_info().rss)
    assert held[1] - held[0] <= 2 * 2**20
