"""Measure the built-in classifier on photographs, for its card.

    python tools/measure_model.py --wheels FOLDER [--media FOLDER] [--noise-of GAIN] [--gain GAIN]
                                  [--seed SEED]

- int8 against the float32 network it was made from, and against its own whole numbers computed exactly
  (the same graph in float32, not fused into int8 kernels): on 20 labelled photographs in the wheel of PyPI
  foolbox 3.3.4 (fetch it with `pip download --no-deps foolbox==3.3.4`), on seeded parts of them in three
  sizes, and on crops of the simulated garden.
- With `--media` (a folder with `sparrows/` and `wild/`, each with its table; not part of the project):
  the same on those, how often small birds are told as birds, and empty places as somebody: on the
  pictures that the evidence was fitted on, and on the others.
- With `--noise-of`, photographs are given the noise of a sensor of that gain, as the simulated garden's has;
  with `--gain` they are prepared as if from such a sensor: from `crop.NOISY_GAIN` on with the noise filter.
  Drawn gardens are then left out.
- With another `--seed` other parts of the labelled photographs are taken.

So few pictures show that nothing is broken; they are no accuracy in a garden.
"""

from __future__ import annotations

import argparse
import csv
import io
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from PIL import Image

import calibrate_model
import model_scenes
import model_weights
from dooryard.camera.garden.light import NOISE_LEVELS
from dooryard.classify import labels, presence, runtime, scores
from dooryard.classify.calibration import calibrated
from dooryard.classify.crop import Planes, prepare, stacked
from dooryard.classify.onnx import BUILT_IN
from dooryard.core.records import Box, Rgb
from model_graph import FEATURES, IMAGE, LOGITS, SIDE, as_trained, build

LABELLED = "foolbox-3.3.4-py3-none-any.whl"
LABELLED_SHA256 = "11049d515d38e765e206a73ace9cc648b81a0d6d1da9ad9057e149ee117989cb"
LINES, PLANE = calibrate_model.lines(), calibrate_model.built_in()
_SEED = 5
_WHOLE = Box(0, 0, 1, 1)
_KNOWN = ("fitted on", "not fitted on")  # every second picture, see model_looks.photographs
_WHITE: Rgb = np.full((1, 1, 3), 255, dtype=np.uint8)


class Case(NamedTuple):
    """One crop to look at."""

    kind: str
    picture: Rgb
    box: Box
    answer: int | None = None  # class number, where somebody labelled it
    planes: Planes | None = None  # where it is prepared already


def _rgb(source: Path | io.BytesIO) -> Rgb:
    with Image.open(source) as image:
        return np.asarray(image.convert("RGB"))


def _random_boxes(
    random: np.random.Generator, picture: Rgb, count: int, sides: tuple[float, float] = (0.1, 0.8)
) -> Iterator[Box]:
    height, width = picture.shape[:2]
    for _ in range(count):
        side = random.uniform(*sides) * min(height, width)
        left, top = random.uniform(0, width - side), random.uniform(0, height - side)
        yield Box(left / width, top / height, (left + side) / width, (top + side) / height)


def labelled(wheels: Path, seed: int) -> Iterator[Case]:
    """Yield 20 photographs with class numbers, and large parts of each, enlarged and not."""
    random = np.random.default_rng(seed)
    wheel = model_weights.checked(wheels / LABELLED, LABELLED_SHA256)
    for name in sorted(model_weights.members(wheel, "foolbox/data/imagenet_", ".jpg")):
        picture = _rgb(io.BytesIO(model_weights.member(wheel, name)))
        answer = int(Path(name).stem.split("_")[-1])
        yield Case("labelled", picture, _WHOLE, answer)
        for times in (1.0, 1.6, 2.4):
            size = (round(picture.shape[1] * times), round(picture.shape[0] * times))
            larger = np.asarray(Image.fromarray(picture).resize(size, Image.Resampling.BICUBIC))
            for box in _random_boxes(random, larger, 6, (0.6, 1.0)):
                yield Case("parts of labelled", larger, box, answer)


def garden() -> Iterator[Case]:
    """Yield looks at the simulated garden, at visitors and at nobody; one garden of each kind."""
    for kind in (*model_scenes.DEVELOPMENT, *model_scenes.TEST):
        test = kind in model_scenes.TEST
        animals = model_scenes.TEST_ANIMALS if test else model_scenes.DEVELOPMENT_ANIMALS
        for look in model_scenes.crops(kind, 131 if test else 31, animals, every=16):
            yield Case("drawn gardens", _WHITE, look.box, planes=look.planes)


def media(folder: Path) -> Iterator[Case]:
    """Yield sparrows by their boxes, and 40 random crops of each picture with nobody in it."""
    random = np.random.default_rng(_SEED)
    with (folder / "sparrows" / "boxes.csv").open(newline="") as table:
        rows = list(csv.DictReader(table))
        pictures = sorted({row["image_name"] for row in rows})
        for row in rows:
            x, y, w, h, width, height = (
                int(row[key])
                for key in (
                    "bbox_x", "bbox_y", "bbox_width", "bbox_height", "image_width", "image_height",
                )
            )  # fmt: skip
            box = Box(x / width, y / height, (x + w) / width, (y + h) / height)
            known = _KNOWN[pictures.index(row["image_name"]) % 2]
            yield Case(f"sparrows {known}", _rgb(folder / "sparrows" / row["image_name"]), box)
    with (folder / "wild" / "labels.csv").open(newline="") as table:
        names = sorted(row["file"] for row in csv.DictReader(table) if row["label_by_eye"] == "empty")
    for number, name in enumerate(names):
        picture = _rgb(folder / "wild" / name)
        for box in _random_boxes(random, picture, 40):
            yield Case(f"empty places {_KNOWN[number % 2]}", picture, box)


class Answers(NamedTuple):
    """What one network says to all cases of a kind."""

    logits: NDArray[np.float32]  # (N, 1000)
    features: NDArray[np.float32]  # (N, 1280)


def prepared(cases: list[Case], gain: float | None, noise_levels: float) -> list[Planes]:
    """Every case's crop as the daemon prepares it, its picture with noise in grey levels."""
    random, found = np.random.default_rng(_SEED), []
    for case in cases:
        if case.planes is not None:
            found.append(case.planes)
            continue
        picture = case.picture
        if noise_levels:
            noisy = picture + random.normal(0.0, noise_levels, picture.shape)
            picture = np.rint(noisy.clip(0, 255)).astype(np.uint8)
        found.append(prepare(picture, case.box, gain, side=SIDE).planes)
    return found


def run(
    model: bytes, crops: list[Planes], take: Callable[[Planes], NDArray[Any]], *, fused: bool = True
) -> Answers:
    """Let a network look at every crop; `take` makes its input of planes.

    Not `fused`: the graph is run as it is written, so that an int8 model's whole numbers are multiplied and
    added as float32, which holds them exactly up to 2**24, whatever int8 kernels the processor has.
    """
    onnxruntime = runtime.load()
    options = onnxruntime.SessionOptions()
    if not fused:
        options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_DISABLE_ALL
    session: Any = onnxruntime.InferenceSession(model, options, providers=["CPUExecutionProvider"])
    found = [session.run([LOGITS, FEATURES], {IMAGE: take(crop)}) for crop in crops]
    return Answers(np.concatenate([a for a, _ in found]), np.concatenate([b for _, b in found]))


def report(
    cases: list[Case], exact: Answers, small: Answers, whole: Answers, table: tuple[labels.Label, ...]
) -> None:
    """Print figures on these cases, all of one kind.

    `exact` is the float32 network, `small` the int8 one, `whole` the int8 one in exact arithmetic.
    """
    same = (exact.logits.argmax(1) == small.logits.argmax(1)).mean()
    error = np.linalg.norm(exact.features - small.features) / np.linalg.norm(exact.features)
    alike = (whole.logits.argmax(1) == small.logits.argmax(1)).mean()
    print(f"{cases[0].kind}: {len(cases)} crops, same top class {same:.3f}, features off by {error:.3f}")
    print(f"    int8 kernels and exact arithmetic: same top class {alike:.3f}")
    answers = np.array([-1 if case.answer is None else case.answer for case in cases])
    if (answers >= 0).all():
        right = [(said.logits.argmax(1) == answers).mean() for said in (exact, small, whole)]
        print(f"    top-1 right: float32 {right[0]:.3f}, int8 {right[1]:.3f}, int8 exactly {right[2]:.3f}")
    for name, said in (("float32", exact), ("int8", small)):
        totals = [scores.read(row, table).totals for row in said.logits]
        leanings = [presence.leaning(PLANE, features) for features in said.features]
        groups = [calibrated(*row) for row in zip(totals, [LINES] * len(totals), leanings, strict=True)]
        bird = np.array([group["bird"] for group in groups])
        somebody = np.array([sum(group.values()) for group in groups])
        counts = ", ".join(
            f"{what} >= {at}: {int((values >= at).sum())}"
            for what, values in (("bird", bird), ("somebody", somebody))
            for at in (0.35, 0.5, 0.7)
        )
        print(f"    {name}: {counts}")
        if (answers >= 0).all():
            animal = np.array([table[answer].group is not None for answer in answers])
            by_sums = np.array([sum(calibrated(one, LINES).values()) for one in totals])
            for how, sure in (("", somebody), (" by its sums alone", by_sums)):
                told = sure >= 0.5
                print(
                    f"    {name}: told as somebody{how} {told[animal].sum()} of {animal.sum()} of animals, "
                    f"{told[~animal].sum()} of {(~animal).sum()} of things"
                )


def main() -> None:
    arguments = argparse.ArgumentParser(description="Measure the classifier on photographs.")
    arguments.add_argument("--wheels", type=Path, required=True)
    arguments.add_argument("--media", type=Path)
    arguments.add_argument("--noise-of", type=float, default=0.0, help="gain whose noise is laid over")
    arguments.add_argument("--gain", type=float, help="of the sensor; left out: not known")
    arguments.add_argument("--seed", type=int, default=_SEED, help="of the parts of labelled photographs")
    given = arguments.parse_args()
    wheel = model_weights.checked(given.wheels / model_weights.WHEEL, model_weights.WHEEL_SHA256)
    exact = build(model_weights.parse(model_weights.member(wheel, model_weights.WEIGHTS)))
    table = labels.parse(BUILT_IN.with_name("lite0-labels.csv").read_text(), 1000, "labels")
    small = BUILT_IN.with_name("lite0.onnx").read_bytes()
    noise_levels = NOISE_LEVELS * math.sqrt(given.noise_of)
    as_they_are = given.gain is None and not noise_levels
    cases = [
        *labelled(given.wheels, given.seed),
        *(garden() if as_they_are else ()),
        *(media(given.media) if given.media else ()),
    ]
    for kind in dict.fromkeys(case.kind for case in cases):
        some = [case for case in cases if case.kind == kind]
        crops = prepared(some, given.gain, noise_levels)
        said = run(exact.SerializeToString(), crops, as_trained)
        kernels, whole = (run(small, crops, stacked, fused=fused) for fused in (True, False))
        report(some, said, kernels, whole, table)


if __name__ == "__main__":
    main()
