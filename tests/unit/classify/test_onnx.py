"""The real classifier: what it refuses, and that threads change nothing."""

import hashlib
import logging
import re
import shutil
import sys

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper

from dooryard.classify.onnx import BUILT_IN, OnnxClassifier
from dooryard.core.errors import ModelError
from dooryard.core.records import Box
from unit.classify.builders import LargePicture, frame, noise


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


@pytest.fixture
def own(tmp_path):
    """A copy of the built-in model's files; returns the path of the card."""
    for name in ("lite0.toml", "lite0.onnx", "lite0-labels.csv", "lite0-presence.csv"):
        shutil.copy(BUILT_IN.with_name(name), tmp_path)
    return tmp_path / "lite0.toml"


def replace_model(card, data: bytes) -> None:
    """Put other bytes in the model's place, with a card that says they are right."""
    model = card.with_name("lite0.onnx")
    old = sha256(model.read_bytes())
    model.write_bytes(data)
    card.write_text(card.read_text().replace(old, sha256(data)))


def tiny(
    logits: str = "logits",
    classes: int = 1000,
    kind: int = TensorProto.FLOAT,
    value: float = 0.0,
    takes: int = TensorProto.UINT8,
):
    """A network whose outputs are constants, of the built-in one's shapes unless told otherwise."""
    image = helper.make_tensor_value_info("image", takes, [1, 3, 224, 224])
    dtype = helper.tensor_dtype_to_np_dtype(kind)
    said = numpy_helper.from_array(np.full((1, classes), value, dtype=dtype), "said")
    seen = numpy_helper.from_array(np.zeros((1, 1280), dtype=np.float32), "seen")
    graph = helper.make_graph(
        [
            helper.make_node("Identity", ["said"], [logits]),
            helper.make_node("Identity", ["seen"], ["features"]),
        ],
        "tiny",
        [image],
        [
            helper.make_tensor_value_info(logits, kind, [1, classes]),
            helper.make_tensor_value_info("features", TensorProto.FLOAT, [1, 1280]),
        ],
        [said, seen],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)])
    model.ir_version = 8
    onnx.checker.check_model(model)
    return model.SerializeToString()


def test_a_copy_elsewhere_works(own):
    OnnxClassifier(own).warm_up()


@pytest.mark.parametrize("name", ["lite0.toml", "lite0.onnx", "lite0-labels.csv", "lite0-presence.csv"])
def test_a_missing_file(own, name):
    own.with_name(name).unlink()
    with pytest.raises(ModelError, match="cannot be read: No such file") as caught:
        OnnxClassifier(own)
    assert name in caught.value.what
    assert "tools/build_model.py" in caught.value.remedy


@pytest.mark.parametrize("name", ["lite0.onnx", "lite0-labels.csv", "lite0-presence.csv"])
@pytest.mark.parametrize(
    "damage",
    [lambda data: data[:-1000], lambda data: data[:100] + b"\0" + data[101:], lambda _data: b""],
    ids=["truncated", "one byte", "empty"],
)
def test_a_damaged_file(own, name, damage):
    path = own.with_name(name)
    path.write_bytes(damage(path.read_bytes()))
    with pytest.raises(ModelError, match="not the file that its card names"):
        OnnxClassifier(own)


def test_a_card_that_is_not_text(own):
    own.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ModelError, match="not text in UTF-8"):
        OnnxClassifier(own)


@pytest.mark.parametrize("data", [b"", b"garbage" * 100], ids=["empty", "garbage"])
def test_a_model_that_the_runtime_refuses(own, data):
    replace_model(own, data)
    with pytest.raises(ModelError, match="onnxruntime cannot load it"):
        OnnxClassifier(own)


@pytest.mark.parametrize(
    ("model", "what"),
    [
        (tiny(logits="scores"), "it has no output 'logits', only"),
        (tiny(classes=10), r"'logits' is \[1, 10\] tensor\(float\), the card says \[1, 1000\]"),
        (tiny(kind=TensorProto.DOUBLE), r"'logits' is \[1, 1000\] tensor\(double\)"),
        (
            tiny(takes=TensorProto.FLOAT),
            r"'image' is \[1, 3, 224, 224\] tensor\(float\), the card says .* tensor\(uint8\) by input.type",
        ),
    ],
    ids=["name", "count", "type", "type of the input"],
)
def test_a_model_of_another_form(own, model, what):
    replace_model(own, model)
    with pytest.raises(ModelError, match=what) as caught:
        OnnxClassifier(own)
    assert "use the card that belongs to this model" in caught.value.remedy


def test_a_card_that_says_float32_of_a_model_that_takes_bytes(own):
    own.write_text(own.read_text().replace('type = "uint8"', "mean = 127.0\nscale = 128.0\n#"))
    with pytest.raises(
        ModelError, match=r"'image' is .* tensor\(uint8\), the card says .* tensor\(float\) by"
    ):
        OnnxClassifier(own)


def test_a_model_with_another_input(own):
    own.write_text(own.read_text().replace('name = "image"', 'name = "picture"'))
    with pytest.raises(ModelError, match=r"its inputs are \['image'\], the card says 'picture'"):
        OnnxClassifier(own)


def test_a_network_that_answers_nonsense_is_not_believed(own):
    replace_model(own, tiny(value=float("nan")))
    classifier = OnnxClassifier(own)
    with pytest.raises(ModelError, match="not finite"):
        classifier.look(frame(LargePicture(noise())), [Box(0, 0, 1, 1)])


def test_without_the_runtime(monkeypatch):
    monkeypatch.setitem(sys.modules, "onnxruntime", None)
    with pytest.raises(ModelError, match="onnxruntime cannot be loaded") as caught:
        OnnxClassifier()
    assert "64-bit" in caught.value.remedy


def test_threads_change_nothing():
    boxes = [Box(0.1, 0.1, 0.6, 0.7), Box(0.4, 0.0, 1.0, 1.0)]
    one, two = (OnnxClassifier(threads=count).look(frame(LargePicture(noise())), boxes) for count in (1, 2))
    for first, second in zip(one, two, strict=True):
        assert first.groups == second.groups
        assert (first.features == second.features).all()


def test_small_boxes_are_counted_and_said_once(caplog):
    classifier = OnnxClassifier()
    with caplog.at_level(logging.WARNING, "dooryard.classify.onnx"):
        for _ in range(3):
            classifier.look(frame(LargePicture(noise())), [Box(0.5, 0.5, 0.55, 0.55)])
    assert classifier.small_crops == 3
    assert [record.getMessage()[:26] for record in caplog.records] == ["frame 7: something moved on"[:26]]


def test_the_gain_reaches_the_crop():
    classifier = OnnxClassifier()
    calm, noisy = (
        classifier.look(frame(LargePicture(noise()), gain=gain), [Box(0, 0, 1, 1)])[0]
        for gain in (1.0, 100.0)
    )
    assert calm.sharpness > noisy.sharpness


def test_the_plane_is_part_of_what_a_look_says(own):
    """The same model with and without it: other probabilities; without it nothing leans."""
    picture, box = frame(LargePicture(noise(480, 640))), Box(0.2, 0.2, 0.7, 0.7)
    with_it = OnnxClassifier(own).look(picture, [box])[0]
    own.write_text(re.sub(r"(?m)^presence.*\n", "", own.read_text()))
    without = OnnxClassifier(own)
    assert without.leaning(with_it.features) == 0.0
    assert without.look(picture, [box])[0].groups != with_it.groups


def test_a_plane_of_another_length(own):
    table = own.with_name("lite0-presence.csv")
    old = sha256(table.read_bytes())
    table.write_text("".join(table.read_text().splitlines(keepends=True)[:-1]))
    own.write_text(own.read_text().replace(old, sha256(table.read_bytes())))
    with pytest.raises(ModelError, match="1280 rows, expected the offset and 1280 features"):
        OnnxClassifier(own)
