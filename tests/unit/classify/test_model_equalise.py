"""A network whose channels were moved and scaled computes what it computed before, and loses less as int8."""

from pathlib import Path

import numpy as np
import onnx
import onnxruntime
import pytest
from onnx import TensorProto, helper, numpy_helper

import model_crops
import model_equalise
from model_graph import normalised

NOWHERE = Path("no wheels are read")
CROPS = [tuple(planes) for planes in np.random.default_rng(6).integers(0, 256, (12, 3, 8, 8), np.uint8)]
LINEAR = ("first.project", "second.project", "second.sum", "third.project", "third.sum")
WIDTH = 5


def a_network(blocks: tuple[str, ...] = ("first", "second", "third")) -> onnx.ModelProto:
    """Blocks whose 1 x 1 projections are added up, channels of very different reach, and a head."""
    random, nodes, constants = np.random.default_rng(9), [], []
    reach = np.array([10.0, 1.0, 4.0, 0.5, 0.0])  # the last channel is dead

    def constant(name: str, value: np.ndarray) -> str:
        constants.append(numpy_helper.from_array(value.astype(np.float32), name))
        return name

    def convolution(name: str, x: str, channels: tuple[int, int], by: np.ndarray, size: int = 1) -> str:
        weight = random.normal(0, 0.3, (*channels, size, size)) * by[:, None, None, None]
        inputs = [
            x,
            constant(f"{name}.w", weight),
            constant(f"{name}.b", random.normal(0, 1, channels[0]) * by),
        ]
        nodes.append(helper.make_node("Conv", inputs, [name], name=name, pads=[size // 2] * 4))
        return name

    def clip(name: str) -> str:
        nodes.append(helper.make_node("Clip", [name, "zero", "six"], [f"{name}.clip"], name=f"{name}.clip"))
        return f"{name}.clip"

    constants += [numpy_helper.from_array(np.array(v, np.float32), n) for n, v in (("zero", 0), ("six", 6))]
    x = clip(convolution("stem", "image", (8, 3), np.ones(8), 3))
    for block in blocks:
        if block != "first":
            entry = x
            x = clip(convolution(f"{block}.expand", entry, (8, WIDTH), np.ones(8)))
        x = convolution(f"{block}.project", x, (WIDTH, 8), reach)
        if block != "first":
            nodes.append(helper.make_node("Add", [x, entry], [f"{block}.sum"], name=f"{block}.sum"))
            x = f"{block}.sum"
    head = clip(convolution("head", x, (6, WIDTH if blocks else 8), np.ones(6)))
    nodes += [
        helper.make_node("GlobalAveragePool", [head], ["pooled"], name="pool"),
        helper.make_node("Flatten", ["pooled"], ["features"], name="flat"),
    ]
    graph = helper.make_graph(
        nodes,
        "a network",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, [1, 3, 8, 8])],
        [helper.make_tensor_value_info("features", TensorProto.FLOAT, [1, 6])],
        constants,
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
    onnx.checker.check_model(model, full_check=True)
    return model


@pytest.fixture(autouse=True)
def crops(monkeypatch):
    monkeypatch.setattr(model_crops, "crops", lambda _: iter(CROPS))


def features(model: onnx.ModelProto) -> np.ndarray:
    session = onnxruntime.InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"])
    return np.concatenate([session.run(["features"], {"image": normalised(crop)})[0] for crop in CROPS])


def ends(model: onnx.ModelProto, name: str) -> np.ndarray:
    """The least and the greatest of each channel of `name`, (2, C)."""
    seen = np.concatenate([one[name] for one in model_crops.watched(model, [name], NOWHERE)], axis=1)
    return np.stack([seen.min(axis=1), seen.max(axis=1)])


def test_the_values_that_are_added_up_are_found_as_one_stream_with_what_writes_and_reads_them():
    (stream,) = model_equalise.streams(a_network())
    assert tuple(stream.values) == LINEAR
    assert [node.name for node in stream.readers] == ["second.expand", "third.expand", "head"]


def test_it_computes_the_same():
    model = a_network()
    before, after = features(model), features(model_equalise.equalised(model, NOWHERE))
    assert np.abs(before).max() > 1
    assert after == pytest.approx(before, rel=1e-5, abs=1e-5)


def test_what_projections_give_lies_around_zero_and_sums_by_as_much_as_their_parts():
    model = a_network()
    level = model_equalise.equalised(model, NOWHERE)
    for name in LINEAR:
        if name.endswith("project"):
            assert ends(level, name).mean(axis=0) == pytest.approx(np.zeros(WIDTH), abs=1e-4)


def test_channels_come_half_the_way_to_the_widest():
    """Half the way on a logarithmic scale: the ratio of two reaches becomes its square root."""
    model = a_network()
    moved, _ = model_equalise._moved(
        *model_equalise.streams(model), model_equalise._ranges(model, list(LINEAR), NOWHERE)
    )
    level = model_equalise.equalised(model, NOWHERE)
    before = np.max([np.abs(ends(model, name) - moved[name]).max(axis=0) for name in LINEAR], axis=0)
    after = np.max([np.abs(ends(level, name)).max(axis=0) for name in LINEAR], axis=0)
    alive = before > 0
    assert alive.sum() == WIDTH - 1
    assert before[alive].max() / before[alive].min() > 10
    assert after[alive] / after.max() == pytest.approx(np.sqrt(before[alive] / before.max()), rel=1e-3)


def test_one_range_of_eight_bits_loses_less():
    """By definition: a step over the range of all channels, against how far each channel goes."""

    def lost(model: onnx.ModelProto) -> float:
        worst = 0.0
        for name in LINEAR:
            low, high = ends(model, name)[:, :-1]  # the dead channel has nothing to lose
            worst = max(worst, float(((high.max() - low.min()) / 255 / (high - low)).max()))
        return worst

    model = a_network()
    assert lost(model_equalise.equalised(model, NOWHERE)) < 0.5 * lost(model)


def test_a_network_with_a_relu_after_each_convolution_has_nothing_to_move():
    assert model_equalise.streams(a_network(blocks=())) == []
