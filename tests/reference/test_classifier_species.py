"""A species model by others: its conversion against a TFLite interpreter, and the regional lists.

Source: mobilenet_v2_1.0_224_inat_bird_quant.tflite and its label list, published in google-coral/test_data
(Apache-2.0), sha256 below; it is not part of the project. Interpreter: PyPI ai-edge-litert, where installed.
"""

import csv
import hashlib

import numpy as np
import pytest
from PIL import Image
from skimage import data

import convert_tflite
from dooryard.classify import crop, runtime
from dooryard.classify.onnx import OnnxClassifier
from dooryard.classify.regions import region
from dooryard.core.records import Box
from reference.classifier_media import media
from unit.classify.builders import LargePicture, frame

SHA256 = "350fcd8cf1df1560060d464595dfed8b174b05792788052896004848d9ad04f9"


def tflite() -> bytes:
    raw = media("..", "models", "mobilenet_v2_1.0_224_inat_bird_quant.tflite").read_bytes()
    assert hashlib.sha256(raw).hexdigest() == SHA256
    return raw


@pytest.fixture(scope="module")
def birds(tmp_path_factory):
    """The card of the converted model."""
    labels = media("..", "models", "inat_bird_labels.txt").read_text(encoding="utf-8")
    folder = tmp_path_factory.mktemp("birds")
    for name, made in convert_tflite.files(tflite(), labels, "birds").items():
        (folder / name).write_bytes(made)
    return folder / "birds.toml"


def sparrows():
    folder = media("sparrows")
    with (folder / "boxes.csv").open(newline="") as table:
        for row in csv.DictReader(table):
            x, y, w, h = (int(row[f"bbox_{key}"]) for key in ("x", "y", "width", "height"))
            width, height = int(row["image_width"]), int(row["image_height"])
            with Image.open(folder / row["image_name"]) as image:
                pixels = np.asarray(image.convert("RGB"))
            yield pixels, Box(x / width, y / height, (x + w) / width, (y + h) / height), max(w, h)


def pictures() -> list[crop.Planes]:
    """48 crops, 224 x 224: sparrows, a cat, a coffee cup, an astronaut, and seeded parts of them."""
    random = np.random.default_rng(8)
    found = [
        crop.square(p, crop.window(box, p.shape[1], p.shape[0]), None, 224).planes for p, box, _ in sparrows()
    ]
    for pixels in (data.chelsea(), data.coffee(), data.astronaut()):
        height, width = pixels.shape[:2]
        for _ in range(10):
            side = int(random.integers(100, min(height, width)))
            left, top = int(random.integers(0, width - side)), int(random.integers(0, height - side))
            found.append(crop.square(pixels, crop.CropWindow(left, top, side, small=False), None, 224).planes)
    return found


def test_converted_it_says_what_the_interpreter_says(birds, tmp_path):
    """The interpreter's own kernel sets agree with each other no better (measured: 0.97 to 0.99)."""
    interpreter_of = pytest.importorskip(
        "ai_edge_litert.interpreter", reason="no TFLite interpreter: pip install ai-edge-litert to compare"
    )
    interpreter = interpreter_of.Interpreter(model_content=tflite(), num_threads=1)
    interpreter.allocate_tensors()
    entry, result = interpreter.get_input_details()[0], interpreter.get_output_details()[0]
    session = runtime.load().InferenceSession(
        birds.with_name("birds.onnx"), providers=["CPUExecutionProvider"]
    )
    same, gaps = [], []
    for picture in pictures():
        interpreter.set_tensor(entry["index"], np.stack(picture, axis=2)[np.newaxis])
        interpreter.invoke()
        scale, zero = result["quantization"]
        theirs = (interpreter.get_tensor(result["index"])[0].astype(np.float64) - zero) * scale
        logits = session.run(["logits"], {"image": crop.stacked(picture)})[0][0]
        ours = np.exp(logits.astype(np.float64) - logits.max())
        ours /= ours.sum()
        same.append(theirs[ours.argmax()] >= theirs.max() - scale)  # ties within one step of 8 bits
        gaps.append(np.abs(ours - theirs).max())
    assert np.mean(same) >= 0.93
    assert np.median(gaps) < 0.05


def test_house_sparrows_are_named_in_both_regions(birds):
    """Six CC0 photographs: smoke, not a rate. Only crops of 90 pixels or more."""
    for where in ("europe", "north america"):
        classifier = OnnxClassifier(species_card=birds, region=region(where))
        told = [
            sighting.species[0].species
            for pixels, box, size in sparrows()
            if size >= 90
            for sighting in classifier.look(frame(LargePicture(pixels)), [box])
            if sighting.species
        ]
        assert told.count("house sparrow") >= 0.7 * len(told) > 0


def test_an_american_robin_is_never_told_in_europe(birds):
    """Whatever is shown to both models together: seeded crops, sparrows, a cat."""
    europe = OnnxClassifier(species_card=birds, region=region("europe"))
    for pixels, box, _ in sparrows():
        for sighting in europe.look(frame(LargePicture(pixels)), [box]):
            assert all(naming.scientific in region("europe") for naming in sighting.species)
