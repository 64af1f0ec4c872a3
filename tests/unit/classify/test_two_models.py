"""A species model beside the built-in one: tiny networks made here, so that nothing has to be fetched."""

import csv
import hashlib
import io

import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper, numpy_helper
from skimage import data

from dooryard.classify import network as network_room
from dooryard.classify import onnx as onnx_room
from dooryard.classify.onnx import OnnxClassifier
from dooryard.classify.regions import region
from dooryard.classify.taught import NamedPicture, teach
from dooryard.core.errors import ModelError
from dooryard.core.records import Box
from dooryard.service.known_visitors import known_visitors
from dooryard.teaching.album import Example
from unit.classify.builders import LargePicture, frame

BIRDS = (("american robin", "Turdus migratorius"), ("european robin", "Erithacus rubecula"))
WHOLE = Box(0, 0, 1, 1)


def species_model(folder, logits, side=32):
    """A network that always gives `logits`, with mean colours as its features; returns its card."""
    graph = helper.make_graph(
        [
            helper.make_node("ReduceMean", ["image"], ["mean"], axes=[2, 3], keepdims=0),
            helper.make_node("ReduceSum", ["mean"], ["sum"], keepdims=1),
            helper.make_node("Mul", ["sum", "none"], ["nothing"]),
            helper.make_node("Add", ["said", "nothing"], ["logits"]),
            helper.make_node("Identity", ["mean"], ["features"]),
        ],
        "tiny",
        [helper.make_tensor_value_info("image", TensorProto.FLOAT, [1, 3, side, side])],
        [
            helper.make_tensor_value_info("logits", TensorProto.FLOAT, [1, len(logits)]),
            helper.make_tensor_value_info("features", TensorProto.FLOAT, [1, 3]),
        ],
        [
            numpy_helper.from_array(np.array([logits], np.float32), "said"),
            numpy_helper.from_array(np.array(0, np.float32), "none"),
        ],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 12)])
    model.ir_version = 8
    onnx.checker.check_model(model)
    raw = model.SerializeToString()
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("index", "name", "scientific", "group", "trust", "reason"))
    writer.writerows((i, name, scientific, "bird", "yes", "") for i, (name, scientific) in enumerate(BIRDS))
    table = out.getvalue().encode()
    (folder / "birds.onnx").write_bytes(raw)
    (folder / "birds-labels.csv").write_bytes(table)
    card = folder / "birds.toml"
    card.write_text(f"""\
name = "two robins"
model = "birds.onnx"
model_sha256 = "{hashlib.sha256(raw).hexdigest()}"
labels = "birds-labels.csv"
labels_sha256 = "{hashlib.sha256(table).hexdigest()}"
[input]
name = "image"
layout = "NCHW"
side_px = {side}
channels = "RGB"
mean = 0.0
scale = 255.0
[outputs]
logits = "logits"
classes = {len(BIRDS)}
features = "features"
feature_count = 3
""")
    return card


def seen(classifier, pixels):
    (sighting,) = classifier.look(frame(LargePicture(pixels)), [WHOLE])
    return sighting


@pytest.fixture
def all_birds(monkeypatch):
    """The species model is asked about whatever is shown."""
    monkeypatch.setattr(onnx_room, "ASK_WHICH_FROM", 0.0)


@pytest.mark.parametrize(
    ("where", "names", "unlisted"),
    [
        ("north america", ["american robin"], ["european robin"]),
        ("europe", ["european robin"], ["american robin"]),
        (None, ["american robin", "european robin"], []),
    ],
)
@pytest.mark.usefixtures("all_birds")
def test_an_american_robin_is_told_only_where_it_lives(tmp_path, where, names, unlisted):
    card = species_model(tmp_path, [4.0, 0.0])
    classifier = OnnxClassifier(species_card=card, region=region(where) if where else None)
    sighting = seen(classifier, data.chelsea())
    assert [naming.species for naming in sighting.species] == names
    assert [naming.species for naming in sighting.unlisted] == unlisted
    assert sum(naming.probability for naming in (*sighting.species, *sighting.unlisted)) == pytest.approx(1)


def test_the_species_model_is_not_asked_about_a_cat(tmp_path):
    plain, two = OnnxClassifier(), OnnxClassifier(species_card=species_model(tmp_path, [4.0, 0.0]))
    one, other = seen(plain, data.chelsea()), seen(two, data.chelsea())
    assert other.species == ()
    assert one.groups == other.groups
    assert (one.features == other.features).all()


@pytest.mark.usefixtures("all_birds")
def test_whether_and_which_group_never_come_from_the_species_model(tmp_path):
    classifier = OnnxClassifier(species_card=species_model(tmp_path, [9.0, 0.0]))
    assert seen(classifier, data.gravel()[..., np.newaxis].repeat(3, 2)).somebody < 0.2


@pytest.mark.parametrize("side", [32, 224])
def test_its_features_serve_the_teaching(tmp_path, side):
    classifier = OnnxClassifier(species_card=species_model(tmp_path, [0.0, 0.0], side=side))
    red = np.zeros((90, 90, 3), np.uint8)
    red[..., 0] = 255
    assert classifier.embed(red, WHOLE) == pytest.approx([1, 0, 0], abs=1e-6)
    assert classifier.teaching_model != OnnxClassifier().teaching_model


@pytest.mark.usefixtures("all_birds")
def test_a_taught_name_is_told(tmp_path):
    classifier = OnnxClassifier(
        species_card=species_model(tmp_path, [0.0, 0.1]), region=frozenset({"Pica pica"})
    )
    colours = {"red one": (1, 0, 0), "green one": (0, 1, 0)}
    random = np.random.default_rng(1)
    classifier.taught = teach(
        tuple(
            NamedPicture(
                f"{name}{i}",
                name,
                "bird",
                np.array(colour, np.float32) + random.normal(0, 0.02, 3).astype("f4"),
            )
            for name, colour in colours.items()
            for i in range(5)
        )
    )
    red = np.full((90, 90, 3), (255, 0, 0), np.uint8)
    assert [naming.species for naming in seen(classifier, red).species] == ["red one"]
    blue = np.full((90, 90, 3), (0, 0, 255), np.uint8)
    assert seen(classifier, blue).species == ()


def test_a_place_is_remembered_by_the_first_networks_features(tmp_path):
    classifier = OnnxClassifier(species_card=species_model(tmp_path, [0.0, 0.0]))
    picture = data.coffee()
    assert (classifier.place_features(picture, WHOLE) == seen(classifier, picture).features).all()


def test_what_can_be_told_is_known_without_loading_a_model(tmp_path):
    card = species_model(tmp_path, [0.0, 0.0])
    example = Example("bird/bertha/1.jpg", "Bertha", "bird")
    europe, _ = known_visitors(species_card=card, region=region("europe"), examples=(example,))
    america, group_of = known_visitors(species_card=card, region=region("north america"))
    assert {"european robin", "erithacus rubecula", "bertha", "bird", "red fox"} <= europe
    assert "american robin" in america - europe
    assert group_of["american robin"] == "bird"


def test_a_species_card_that_is_wrong_stops_the_start(tmp_path):
    with pytest.raises(ModelError, match="cannot be read"):
        OnnxClassifier(species_card=tmp_path / "none.toml")


@pytest.mark.parametrize("asked", [False, True])
def test_each_box_costs_one_run_of_each_network_that_is_asked(tmp_path, monkeypatch, asked):
    """One inference per sighting; the species model only where it is asked at all."""
    runs = []
    answer = network_room.Network.answer

    def counted(network, planes):
        runs.append(network.card.name)
        return answer(network, planes)

    monkeypatch.setattr(network_room.Network, "answer", counted)
    monkeypatch.setattr(onnx_room, "ASK_WHICH_FROM", 0.0 if asked else 1.1)
    classifier = OnnxClassifier(species_card=species_model(tmp_path, [0.0, 0.0]))
    boxes = [WHOLE, Box(0.1, 0.1, 0.5, 0.5), Box(0.2, 0.2, 0.9, 0.9)]
    assert len(classifier.look(frame(LargePicture(data.chelsea())), boxes)) == 3
    assert runs.count(classifier.card.name) == 3
    assert runs.count("two robins") == (3 if asked else 0)
