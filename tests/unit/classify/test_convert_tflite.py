"""The converter: what it refuses, its padding, its label table. (Its numbers: tests/reference.)"""

import struct

import pytest

from convert_tflite import labels_csv, same_padding
from dooryard.classify import labels
from model_tflite import NotUnderstoodError, read


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
