"""Build the species model that ships with Dooryard from its pinned, published TFLite file, and its card.

    python tools/build_species_model.py --source FOLDER [--check] [--out FOLDER]

FOLDER holds the two files that google-coral/test_data publishes: the model and its label list. Both sha256
are checked. `--check` builds and compares with what is already in the output folder, and writes nothing; the
bytes are the same for the same version of onnx (the card names it). The numbers in the card by which a
visit's name is read are chosen by tools/choose_visit_numbers.py and written here.

Needs the extra `model` (onnx); running the model does not.
"""

from __future__ import annotations

import argparse
import sys
from importlib.metadata import version
from pathlib import Path

import convert_tflite
from build_model import MODELS
from model_weights import sha256

NAME = "birds"
SOURCE = "mobilenet_v2_1.0_224_inat_bird_quant.tflite"
SOURCE_SHA256 = "350fcd8cf1df1560060d464595dfed8b174b05792788052896004848d9ad04f9"
LABELS = "inat_bird_labels.txt"
LABELS_SHA256 = "a16108dfe3f8daff015b87a97ab6a17e717b9b1bccd719f6d8f747746d7b9277"

_CARD = """\
# What a program must know to use the model, and what a person must know to trust it.
# Written by tools/build_species_model.py.
licence = "Apache-2.0"
notice = "birds-NOTICE.txt"
limits = "It knows about 930 species of bird, most of them North American; it is wrong at times, above all \
on birds that look alike, and knows no bird that is not on its list (dooryard birds prints it)."
noisy_gain = 2.0
noise_sigmas = 7.0
"""

_REST = """
[names]
temperature = 1.4
nameless = 0.02
unlisted = 1.0
likeness = 0.2
told_from = 0.9

[origin]
architecture = "Sandler et al. 2018, MobileNetV2, quantised to 8 bits by its publishers"
training = "pictures of the iNaturalist 2017 competition, by the publishers of the model"
published_in = "google-coral/test_data"
file = "{source}"
file_sha256 = "{source_sha256}"
labels_file = "{labels}"
labels_file_sha256 = "{labels_sha256}"
converted_with = {{ onnx = "{onnx}" }}
"""

_NOTICE = """\
birds.onnx and birds-labels.csv are made from {source}
(sha256 {source_sha256})
and {labels}
(sha256 {labels_sha256}),
published in the repository google-coral/test_data under the Apache License, Version 2.0, changed: the model
was converted from TFLite to ONNX, its last layer left out (logits instead of 8-bit probabilities) and its
pooled features made an output; in the labels subspecies are put down as their species, with our own columns.
The publishers trained it on pictures of the iNaturalist 2017 competition; none of these pictures is here.

Licensed under the Apache License, Version 2.0 (the "License"); you may not use these files except in
compliance with the License. You may obtain a copy of the License at

    http://www.apache.org/licenses/LICENSE-2.0

Unless required by applicable law or agreed to in writing, software distributed under the License is
distributed on an "AS IS" BASIS, WITHOUT WARRANTIES OR CONDITIONS OF ANY KIND, either express or implied. See
the License for the specific language governing permissions and limitations under the License.
"""


def make(source: bytes, labels: bytes) -> dict[str, bytes]:
    """File name -> bytes of everything that is built. Exits where a file is not the pinned one."""
    for name, data, wanted in ((SOURCE, source, SOURCE_SHA256), (LABELS, labels, LABELS_SHA256)):
        if sha256(data) != wanted:
            raise SystemExit(f"{name}: not the pinned file")
    made = convert_tflite.files(source, labels.decode(), NAME)
    about = {
        "source": SOURCE,
        "source_sha256": SOURCE_SHA256,
        "labels": LABELS,
        "labels_sha256": LABELS_SHA256,
    }
    _head, *lines = made[f"{NAME}.toml"].decode().splitlines(keepends=True)
    card = "".join(lines).replace(f'name = "{NAME}"', 'name = "MobileNetV2, 930 birds, int8"', 1)
    rest = _REST.format(**about, onnx=version("onnx"))
    return made | {
        f"{NAME}.toml": f"{_CARD}{card}{rest}".encode(),
        f"{NAME}-NOTICE.txt": _NOTICE.format(**about).encode(),
    }


def main() -> int:
    arguments = argparse.ArgumentParser(description="Build the species model, its labels and its card.")
    arguments.add_argument("--source", type=Path, required=True, help="folder of the two published files")
    arguments.add_argument("--check", action="store_true", help="compare, write nothing")
    arguments.add_argument("--out", type=Path, default=MODELS)
    given = arguments.parse_args()
    different = 0
    made = make((given.source / SOURCE).read_bytes(), (given.source / LABELS).read_bytes())
    for name, data in made.items():
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
