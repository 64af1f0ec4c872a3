"""The converter: what it refuses, its padding, its label table. (Its numbers: tests/reference.)"""

import struct
import tomllib

import numpy as np
import pytest

from convert_tflite import labels_csv, same_padding, taken
from dooryard.classify import crop, labels
from model_tflite import NotUnderstoodError, Tensor, read


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


def entry(dtype: str, scale: float, zero: int) -> Tensor:
    return Tensor(
        (1, 224, 224, 3), np.dtype(dtype), None, np.array([scale], np.float32), np.array([zero], np.int64)
    )


def test_a_file_that_works_with_bytes_takes_them_as_they_are():
    assert tomllib.loads(taken(entry("uint8", 1 / 128, 128))) == {"type": "uint8"}


@pytest.mark.parametrize(("scale", "zero"), [(1 / 127.5, -1), (1 / 255, -128), (1 / 64, 3)])
def test_a_file_that_works_with_signed_bytes_takes_what_they_stand_for(scale, zero):
    """By the format's own definition: real = (q - zero) * scale, where q is the byte less 128."""
    lines = tomllib.loads(taken(entry("int8", scale, zero)))
    plane = np.arange(256, dtype=np.uint8).reshape(16, 16)
    expected = (plane.astype(float) - 128 - zero) * np.float32(scale)
    found = crop.normalised((plane,), lines["mean"], lines["scale"])
    assert found[0, 0] == pytest.approx(expected, rel=1e-6, abs=1e-6)


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
