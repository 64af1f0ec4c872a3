"""A network whose channels were moved and scaled computes what it computed before, and loses less as int8."""

from pathlib import Path

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper

import model_crops
import model_equalise
from dooryard.classify import runtime
from model_graph import as_trained

NOWHERE = Path("no wheels are read")
CROPS = [tuple(planes) for planes in np.random.default_rng(6).integers(0, 256, (12, 3, 8, 8), np.uint8)]
ADDED = ("first.project", "second.project", "second.sum", "third.project", "third.sum")
ALONE = ("fourth.project",)
WIDE, NARROW = 5, 3
BLOCKS = {"first": WIDE, "second": WIDE, "third": WIDE, "fourth": NARROW}


def a_network(blocks: dict[str, int] = BLOCKS, *, reader: int = 1) -> onnx.ModelProto:
    """Blocks whose 1 x 1 projections, channels of very different reach, are added up where as wide; a head.

    `reader`: the kernel of what reads the sums.
    """
    random, nodes, constants = np.random.default_rng(9), [], []
    reach = np.array([10.0, 1.0, 4.0, 0.5, 1e-5])

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
    x, wide = clip(convolution("stem", "image", (8, 3), np.ones(8), 3)), 8
    for block, out in blocks.items():
        entry = x
        if block != "first":
            x = clip(convolution(f"{block}.expand", entry, (8, wide), np.ones(8), reader))
        x = convolution(f"{block}.project", x, (out, 8), reach[:out])
        if out == wide:
            nodes.append(helper.make_node("Add", [x, entry], [f"{block}.sum"], name=f"{block}.sum"))
            x = f"{block}.sum"
        wide = out
    head = clip(convolution("head", x, (6, wide), np.ones(6)))
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
    session = runtime.load().InferenceSession(model.SerializeToString(), providers=["CPUExecutionProvider"])
    return np.concatenate([session.run(["features"], {"image": as_trained(crop)})[0] for crop in CROPS])


def ends(model: onnx.ModelProto, name: str) -> np.ndarray:
    """The least and the greatest of each channel of `name`, (2, C)."""
    seen = np.concatenate([one[name] for one in model_crops.watched(model, [name], NOWHERE)], axis=1)
    return np.stack([seen.min(axis=1), seen.max(axis=1)])


def reach(model: onnx.ModelProto, names: tuple[str, ...], moved: dict[str, np.ndarray]) -> np.ndarray:
    """How far each channel goes from what it was moved by, in any of `names`, (C,)."""
    return np.max([np.abs(ends(model, name) - moved.get(name, 0.0)).max(axis=0) for name in names], axis=0)


def moves(model: onnx.ModelProto) -> list[dict[str, np.ndarray]]:
    """What each stream's values are moved by."""
    streams = model_equalise.streams(model)
    ranges = model_equalise._ranges(model, [*ADDED, *ALONE], NOWHERE)
    return [model_equalise._moves_and_scales(stream, ranges)[0] for stream in streams]


def test_values_that_are_added_up_are_found_as_one_stream_with_what_reads_them():
    added, alone = model_equalise.streams(a_network())
    assert tuple(added.values) == ADDED
    assert [node.name for node in added.readers] == ["second.expand", "third.expand", "fourth.expand"]
    assert tuple(alone.values) == ALONE
    assert [node.name for node in alone.readers] == ["head"]


def test_it_computes_the_same():
    model = a_network()
    before, after = features(model), features(model_equalise.equalised(model, NOWHERE))
    assert np.abs(before).max() > 1
    assert after == pytest.approx(before, rel=1e-4, abs=1e-5)


def test_what_projections_give_lies_around_zero():
    level = model_equalise.equalised(a_network(), NOWHERE)
    for name in (*ADDED, *ALONE):
        if name.endswith("project"):
            low, high = ends(level, name)
            assert (np.abs(low + high) <= 1e-3 * (high - low)).all()


def test_sums_are_moved_by_as_much_as_their_parts():
    added, _ = moves(a_network())
    for block, before in (("second", "first.project"), ("third", "second.sum")):
        assert added[f"{block}.sum"] == pytest.approx(added[before] + added[f"{block}.project"])


@pytest.mark.parametrize(("number", "names"), [(0, ADDED), (1, ALONE)], ids=["added up", "alone"])
def test_channels_come_half_the_way_to_the_widest_and_are_blown_up_ten_times_at_most(number, names):
    """Half the way on a logarithmic scale: the ratio of two reaches becomes its square root."""
    model = a_network()
    before = reach(model, names, moves(model)[number])
    after = reach(model_equalise.equalised(model, NOWHERE), names, {})
    ratio = before / before.max()
    assert (ratio < 0.01).any() == (names == ADDED)
    expected = before / np.sqrt(np.maximum(ratio, 0.01))
    assert after == pytest.approx(expected, rel=2e-3)
    assert (after <= 10.01 * before).all()


def test_one_range_of_eight_bits_loses_less():
    """By definition: a step over the range of all channels, against how far each channel goes."""

    def lost(model: onnx.ModelProto) -> float:
        worst = 0.0
        for name in ADDED:
            low, high = ends(model, name)[:, :-1]  # the channel with next to nothing may lose it
            worst = max(worst, float(((high.max() - low.min()) / 255 / (high - low)).max()))
        return worst

    model = a_network()
    assert lost(model_equalise.equalised(model, NOWHERE)) < 0.5 * lost(model)


def with_relu() -> onnx.ModelProto:
    model = a_network()
    model.graph.node.insert(3, helper.make_node("Relu", ["first.project"], ["first.relu"], name="first.relu"))
    for node in list(model.graph.node)[4:]:
        node.input[:] = ["first.relu" if name == "first.project" else name for name in node.input]
    return model


def with_output() -> onnx.ModelProto:
    model = a_network()
    model.graph.output.append(helper.make_tensor_value_info("third.sum", TensorProto.FLOAT, [1, WIDE, 8, 8]))
    return model


@pytest.mark.parametrize(
    ("make", "left"),
    [
        pytest.param(with_relu, ALONE, id="a relu reads it"),
        pytest.param(with_output, ALONE, id="it is an answer"),
        pytest.param(
            lambda: a_network(reader=3), ALONE, id="a larger kernel reads it, and zeros at the edge"
        ),
        pytest.param(lambda: a_network({}), (), id="none"),
    ],
)
def test_what_cannot_be_taken_back_is_left_alone(make, left):
    model = make()
    assert tuple(name for stream in model_equalise.streams(model) for name in stream.values) == left
    same = model_equalise.equalised(model, NOWHERE)
    assert features(same) == pytest.approx(features(model), rel=1e-4, abs=1e-5)
    assert (same == model) == (left == ())
