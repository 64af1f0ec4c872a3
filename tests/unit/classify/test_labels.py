"""The table of classes."""

import pytest

from dooryard.classify import labels
from dooryard.core.errors import ModelError

HEAD = "index,name,scientific,group,trust,reason\n"


def test_a_table():
    text = HEAD + "0,red fox,Vulpes vulpes,fox,yes,alone\n1,garden chair,,,no,not an animal\n"
    first, second = labels.parse(text, 2, "own.csv")
    assert (first.name, first.scientific, first.group, first.trusted) == (
        "red fox",
        "Vulpes vulpes",
        "fox",
        True,
    )
    assert (second.scientific, second.group, second.trusted) == (None, None, False)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("name,index\n", "own.csv:1: the columns must be index, name, scientific, group, trust, reason"),
        (HEAD + "1,wren,,bird,no,x\n", "own.csv:2: index is '1', expected 0"),
        (HEAD + "0,Wren,,bird,no,x\n", "own.csv:2: the name 'Wren' must be there and in lower case"),
        (HEAD + "0,wren,,birds,no,x\n", "own.csv:2: unknown group 'birds'; there are bird, "),
        (HEAD + "0,wren,,bird,maybe,x\n", "own.csv:2: trust is 'maybe'; it must be no, or yes in "),
        (HEAD + "0,chair,,,yes,x\n", "own.csv:2: trust is 'yes'; it must be no, or yes in "),
        (HEAD + "0,wren,,bird,no\n", "own.csv:2: the wrong number of columns"),
        (HEAD + "0,wren,,bird,no,x,y\n", "own.csv:2: the wrong number of columns"),
        (HEAD, "own.csv: 0 classes, but the model has 1"),
    ],
)
def test_wrong_tables(text, what):
    with pytest.raises(ModelError) as caught:
        labels.parse(text, 1, "own.csv")
    assert caught.value.what.startswith(what)
    assert "label table" in caught.value.remedy


def test_a_person_is_no_group():
    assert "person" not in labels.GROUPS
