"""A model's card: what is read, and what is said when it cannot be."""

import re

import pytest

from dooryard.classify import card
from dooryard.classify.onnx import BUILT_IN
from dooryard.core.errors import ModelError

TEXT = BUILT_IN.read_text()
BYTES = 'type = "uint8"'


def test_built_in_card():
    built_in = card.parse(TEXT, "lite0.toml")
    assert (built_in.side_px, built_in.normalisation) == (224, None)
    assert (built_in.classes, built_in.features, built_in.feature_count) == (1000, "features", 1280)


@pytest.mark.parametrize("kind", ["", 'type = "float32"\n'], ids=["type left out", "float32"])
def test_a_model_that_takes_normalised_numbers(kind):
    own = card.parse(TEXT.replace(BYTES, f"{kind}mean = 127\nscale = 128.5"), "own.toml")
    assert own.normalisation == card.Normalisation(mean=127.0, scale=128.5)


def test_a_model_without_features():
    text = TEXT.replace('features = "features"\nfeature_count = 1280\n', "")
    text = re.sub(r"(?m)^presence.*\n", "", text)
    assert card.parse(text, "own.toml").features is None


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("[input]", "[input", "own.toml: not a model card: "),
        ("[input]", "[entry]", "own.toml: the key 'input' is missing"),
        ("side_px = 224", 'side_px = "224"', "own.toml: side_px is '224', which is not of type int"),
        ("side_px = 224", "side_px = true", "own.toml: side_px is True, which is not of type int"),
        ('"NCHW"', '"NHWC"', "own.toml: input.layout is 'NHWC'; only 'NCHW' is understood"),
        ("side_px = 224", "side_px = 0", "own.toml: side_px, classes and temperature must be above zero"),
        (
            BYTES,
            "mean = 0\nscale = 0",
            "own.toml: input.scale is 0.0; it must be above zero",
        ),
        (BYTES, "scale = 1", "own.toml: the key 'mean' is missing"),
        (BYTES, 'type = "float32"\nmean = 0', "own.toml: the key 'scale' is missing"),
        (BYTES, 'type = "int8"', "own.toml: input.type is 'int8'; it must be one of float32, uint8"),
        (BYTES, "type = 8", "own.toml: type is 8, which is not of type str"),
        (
            BYTES,
            f"{BYTES}\nmean = 127",
            "own.toml: input.mean has no effect where input.type is 'uint8': leave it out",
        ),
        (BYTES, f"{BYTES}\nscale = 2.0", "own.toml: input.scale has no effect where input.type is 'uint8'"),
        (
            "bird = [0.641, 1.795]",
            "bird = [0, 1]",
            "own.toml: evidence.bird is [0, 1]; it must be [slope above",
        ),
        ("bird = [0.641, 1.795]", "bird = 2", "own.toml: bird is 2, which is not of type list"),
        ("animal = [2.0, -2.8]", "", "own.toml: the key 'animal' is missing"),
        (
            "presence = 1.569",
            "presence = -1",
            "own.toml: evidence.presence is -1.0; it must be a number, 0 or",
        ),
        ("presence = 1.569", "", "own.toml: presence and evidence.presence need each other"),
        ('presence = "lite0-presence.csv"', "", "own.toml: presence and evidence.presence need each other"),
        ('features = "features"', "", "own.toml: presence and evidence.presence need each other"),
        (
            '"lite0-presence.csv"',
            '"../x.csv"',
            "own.toml: '../x.csv' must be the name of a file beside the card",
        ),
        ('"lite0-presence.csv"', '""', "own.toml: '' must be the name of a file beside the card"),
        ("presence_sha256", "digest", "own.toml: the key 'presence_sha256' is missing"),
        ('licence = "Apache-2.0"', "temperature = -1", "own.toml: side_px, classes and temperature"),
        ('"lite0.onnx"', '"../x.onnx"', "own.toml: '../x.onnx' must be the name of a file beside the card"),
    ],
)
def test_wrong_cards(old, new, what):
    assert old in TEXT
    with pytest.raises(ModelError) as caught:
        card.parse(TEXT.replace(old, new), "own.toml")
    assert caught.value.what.startswith(what)
    assert "fix the card" in caught.value.remedy
