"""The converter: what it refuses, its padding, its input, the labels. (A whole file: tests/reference.)"""

import struct
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal

import convert_tflite
from convert_tflite import labels_csv, same_padding
from dooryard.classify import card as cards
from dooryard.classify import labels, network, runtime
from model_tflite import Graph, Kind, NotUnderstoodError, Operator, Tensor, read

STEP = 0.05  # of the activations' eight bits


@pytest.mark.parametrize(
    ("size", "kernel", "stride", "expected"),
    [(224, 3, 2, (0, 1)), (112, 3, 1, (1, 1)), (7, 1, 1, (0, 0)), (14, 5, 2, (1, 2))],
)
def test_same_padding(size, kernel, stride, expected):
    """TensorFlow's rule, by hand: (ceil(n / s) - 1) * s + k - n in all, the odd one after."""
    assert same_padding(size, kernel, stride, 1) == expected


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "not a TFLite file"),
        (b"\x08\0\0\0GIF8" + bytes(40), "not a TFLite file"),
        (struct.pack("<I4s", 8, b"TFL3"), "cut short"),
        (struct.pack("<I4s", 4_000_000, b"TFL3") + bytes(40), "cut short"),
    ],
    ids=["nothing", "other magic", "cut", "points outside"],
)
def test_what_is_not_understood_is_refused(data, what):
    with pytest.raises(NotUnderstoodError, match=what):
        read(data)


def a_graph(dtype: str, entry: tuple[float, int]) -> Graph:
    """A convolution 3 x 3, pooling and a matrix, as a quantised file holds them; `entry`: scale and zero."""
    random, low = np.random.default_rng(3), np.iinfo(dtype).min

    def tensor(shape, scale, zero=0, values=None, kind=dtype):
        return Tensor(
            shape, np.dtype(kind), values, np.array([scale], np.float32), np.array([zero], np.int64)
        )

    tensors = (
        tensor((1, 8, 8, 3), *entry),
        tensor((4, 3, 3, 3), 0.01, 0, random.integers(-100, 100, (4, 3, 3, 3)).astype("i1"), "i1"),
        tensor((4,), 0.01 * entry[0], 0, random.integers(-900, 900, 4).astype("<i4"), "<i4"),
        tensor((1, 8, 8, 4), STEP, 128 + low),
        tensor((1, 1, 1, 4), STEP, 128 + low),
        tensor((2, 4), 0.01, 0, random.integers(-100, 100, (2, 4)).astype("i1"), "i1"),
        tensor((2,), 0.01 * STEP, 0, np.array([5, -7], "<i4"), "<i4"),
        tensor((1, 2), STEP, 128 + low),
    )
    steps = (
        Operator(Kind.CONV, (0, 1, 2), 3, None),
        Operator(Kind.AVERAGE_POOL, (3,), 4, None),
        Operator(Kind.FULLY_CONNECTED, (4, 5, 6), 7, None),
    )
    return Graph(tensors, steps, entry=0, result=7)


def pooled(graph: Graph, planes: np.ndarray) -> np.ndarray:
    """The mean of the convolution's answers, (4,), in float64 by the format's own definition of a value."""
    entry, weight, bias = graph.tensors[:3]
    signed = planes.astype(np.int64) + np.iinfo(entry.dtype).min  # a signed file counts bytes from -128
    values = (signed - entry.zero[0]) * float(entry.scale[0])
    assert weight.values is not None
    assert bias.values is not None
    kernels = weight.values.astype(float) * float(weight.scale[0])
    answers = [
        sum(signal.correlate2d(values[c], kernel[..., c], "same") for c in range(3)) for kernel in kernels
    ]
    return np.mean(answers, axis=(1, 2)) + bias.values * float(bias.scale[0])


@pytest.mark.parametrize(
    ("dtype", "entry"),
    [("u1", (1 / 128, 128)), ("u1", (1 / 255, 0)), ("i1", (1 / 127.5, -1)), ("i1", (1 / 64, 3))],
)
def test_a_converted_file_takes_the_pictures_bytes_and_says_what_the_file_means(monkeypatch, dtype, entry):
    """Reference: scipy's correlation. Answers are rounded to the file's steps, twice on the way."""
    graph = a_graph(dtype, entry)
    monkeypatch.setattr(convert_tflite, "read", lambda _: graph)
    made = convert_tflite.files(b"", "Parus major (Great Tit)\nTurdus merula (Blackbird)", "two")
    card = cards.parse(made["two.toml"].decode(), "two.toml")
    session = runtime.load().InferenceSession(made["two.onnx"], providers=["CPUExecutionProvider"])
    planes = np.random.default_rng(1).integers(0, 256, (3, 8, 8), dtype=np.uint8)
    (features,) = session.run([card.features], {card.input_name: network.as_input(card, tuple(planes))})[0]
    assert features == pytest.approx(pooled(graph, planes), abs=STEP)
    assert np.ptp(features) > 5 * STEP


@pytest.mark.parametrize("dtype", ["<f4", "<i4"])
def test_a_file_whose_input_is_no_bytes_is_refused(monkeypatch, dtype):
    graph = a_graph("u1", (1 / 128, 128))
    entry = replace(graph.tensors[0], dtype=np.dtype(dtype))
    monkeypatch.setattr(convert_tflite, "read", lambda _: replace(graph, tensors=(entry, *graph.tensors[1:])))
    with pytest.raises(NotUnderstoodError, match="is not a quantised square RGB picture"):
        convert_tflite.convert(b"")


def test_label_table():
    lines = (
        "Turdus migratorius (American Robin)",
        "background",
        "Anas \xd7 hybrid (Odd Duck)",
        "Parus major (Great Tit)",
    )
    text = "\n".join(lines)
    table = labels.parse(labels_csv(text), 4, "labels")
    assert [(one.name, one.scientific, one.trusted) for one in table] == [
        ("american robin", "Turdus migratorius", True),
        ("background", None, False),
        ("anas \xd7 hybrid (odd duck)", None, False),
        ("great tit", "Parus major", True),
    ]
    assert [one.group for one in table] == ["bird", None, None, "bird"]
