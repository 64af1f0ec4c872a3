"""How the shipped network was made int8: weights whose pairs fit, biases that take back what was rounded."""

from itertools import pairwise
from pathlib import Path

import numpy as np
import onnx
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from onnx import TensorProto, helper, numpy_helper

import model_crops
import model_quantise
from dooryard.classify import crop, runtime

NOWHERE = Path("no wheels are read")
CROPS = [tuple(planes) for planes in np.random.default_rng(5).integers(127, 256, (12, 3, 6, 6), np.uint8)]
FLOAT = ("_blocks.0._project_conv.w", "stem.w")


def a_network() -> onnx.ModelProto:
    """A first convolution, a float32 block, then a 1 x 1, a depthwise 2 x 2 and a matrix that become int8."""
    shapes = {
        "stem": (4, 3, 3, 3),
        "_blocks.0._project_conv": (4, 4, 1, 1),
        "wide": (8, 4, 1, 1),
        "each": (8, 1, 2, 2),
    }
    random, nodes, constants, last = np.random.default_rng(4), [], [], "image"
    for name, shape in shapes.items():
        constants += [
            numpy_helper.from_array(random.normal(0.1, 0.4, shape).astype(np.float32), f"{name}.w"),
            numpy_helper.from_array(random.normal(0.3, 0.1, shape[0]).astype(np.float32), f"{name}.b"),
        ]
        groups = 8 if shape[1] == 1 else 1
        convolution = helper.make_node(
            "Conv", [last, f"{name}.w", f"{name}.b"], [f"{name}.raw"], name=name, group=groups
        )
        nodes += [convolution, helper.make_node("Relu", [f"{name}.raw"], [f"{name}.out"])]
        last = f"{name}.out"
    constants += [
        numpy_helper.from_array(random.normal(0, 0.4, (5, 8)).astype(np.float32), "last.w"),
        numpy_helper.from_array(np.zeros(5, dtype=np.float32), "last.b"),
    ]
    nodes += [
        helper.make_node("GlobalAveragePool", [last], ["pooled"]),
        helper.make_node("Flatten", ["pooled"], ["features"]),
        helper.make_node("Gemm", ["features", "last.w", "last.b"], ["logits"], name="last", transB=1),
    ]
    graph = helper.make_graph(
        nodes,
        "a network",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, [1, 3, 6, 6])],
        [helper.make_tensor_value_info("logits", TensorProto.FLOAT, [1, 5])],
        constants,
    )
    return helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)


@pytest.fixture
def crops(monkeypatch):
    for module in (model_crops, model_quantise):
        monkeypatch.setattr(module, "crops", lambda _: iter(CROPS))


def constants_of(model: onnx.ModelProto) -> dict[str, np.ndarray]:
    return {constant.name: numpy_helper.to_array(constant) for constant in model.graph.initializer}


def means(model: onnx.ModelProto, name: str) -> np.ndarray:
    """The mean of each channel of `name` over all crops."""
    seen = model_crops.watched(model, [name], NOWHERE)
    return np.mean([values[name].mean(axis=1) for values in seen], axis=0)


def with_values(model: onnx.ModelProto, values: dict[str, np.ndarray]) -> onnx.ModelProto:
    """A copy of `model` with other constants."""
    copy = onnx.ModelProto()
    copy.CopyFrom(model)
    for constant in copy.graph.initializer:
        if constant.name in values:
            new = numpy_helper.from_array(values[constant.name].astype(np.float32), constant.name)
            constant.CopyFrom(new)
    return copy


@pytest.mark.parametrize(
    ("layer", "out", "left"),
    [
        pytest.param("wide", "wide.raw", 0.01, id="1 x 1"),
        pytest.param("each", "each.raw", 0.3, id="depthwise: the edge's pixels come in less often"),
        pytest.param("last", "logits", 0.01, id="matrix"),
    ],
)
def test_a_corrected_bias_takes_back_what_the_rounded_weights_shift(crops, layer, out, left):
    """By definition: what int8 weights in one layer shift the means by in the float32 net, but for `left`."""
    model = a_network()
    small = model_quantise._quantised(model, NOWHERE)
    corrected = constants_of(model_quantise.corrected(model, small, NOWHERE))
    weight = {f"{layer}.w": model_quantise._rounded(small)[f"{layer}.w"]}
    bias = {f"{layer}.b": corrected[f"{layer}.b"]}
    wanted = means(model, out)
    shifted = np.abs(means(with_values(model, weight), out) - wanted).max()
    assert shifted > 1e-4
    assert np.abs(means(with_values(model, weight | bias), out) - wanted).max() < left * shifted


def test_weights_themselves_and_what_stays_float32_are_left_alone(crops):
    model = a_network()
    small = model_quantise._quantised(model, NOWHERE)
    before, after = constants_of(model), constants_of(model_quantise.corrected(model, small, NOWHERE))
    changed = {name for name, values in before.items() if (values != after[name]).any()}
    assert changed == {"wide.b", "each.b", "last.b"}
    assert set(model_quantise._rounded(small)) == {"wide.w", "each.w", "last.w"}
    floats = {name for name, values in constants_of(small).items() if values.dtype == np.float32}
    assert set(FLOAT) <= floats


def test_a_network_that_takes_bytes_says_the_same_to_the_bit():
    """Reference: the same network fed with numpy's (value - 127) / 128, which is exact."""
    plain, whole = (
        runtime.load().InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"])
        for model in (a_network(), model_quantise.taking_bytes(a_network()))
    )
    assert whole.get_inputs()[0].type == "tensor(uint8)"
    for planes in np.random.default_rng(7).integers(0, 256, (12, 3, 6, 6), np.uint8):
        taken = crop.stacked(tuple(planes))
        expected = plain.run(["logits"], {"image": ((taken - 127.0) / 128.0).astype(np.float32)})[0]
        assert np.array_equal(whole.run(["logits"], {"image": taken})[0], expected)


@given(arrays(np.float32, (3, 6, 1, 1), elements=st.floats(-2, 2, width=32)))
def test_no_two_neighbours_of_one_sign_come_to_more_than_the_limit(weight):
    limit = model_quantise.pair_limit(weight)
    rows = weight.reshape(3, 6).astype(np.float64)
    for row, most in zip(rows, limit, strict=True):
        assert np.abs(row).max() <= most
        alike = [a + b for a, b in pairwise(row) if a * b > 0]
        assert all(abs(total) <= most for total in alike)
        assert most in {*np.abs(row).tolist(), *map(abs, alike)}
