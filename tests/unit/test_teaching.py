"""What people say of visits becomes what the classifier knows; a pupil that sees colours stands in for it."""

from __future__ import annotations

import io
from datetime import timedelta

import numpy as np
import pytest
from PIL import Image

from dooryard.classify.fake import FakeClassifier
from dooryard.cli.teach import add, forget, show
from dooryard.core.errors import ConfigError
from dooryard.core.records import Box, Outcome, Picture
from dooryard.history import annotations as marks
from dooryard.imaging.jpeg import encode
from dooryard.site.site_model import place_for, restored, saved
from dooryard.teaching import album
from dooryard.teaching.feedback import Feedback, teach_from_album
from helpers import START
from unit.journal.alder_row import BIRD, NOON, AlderRow

GROUPS = {"bird": "bird", "wren": "bird", "robin": "bird", "red fox": "fox"}
BOX = Box(0.25, 0.25, 0.5, 0.5)


class ColourTrainable:
    """Features: the mean colour in the box, and a one."""

    taught = None
    card = FakeClassifier.card
    teaching_model = "colours " * 4
    teaching_features = 4

    def __init__(self):
        self.looked = 0

    def embed(self, pixels, box, gain=None):
        self.looked += 1
        return self.place_features(pixels, box)

    def place_features(self, pixels, box, gain=None):
        part = album.cut(pixels, box).reshape(-1, 3)
        return np.append(part.mean(axis=0) / 255.0 - 0.5, 0.1).astype(np.float32)


def jpeg(colour, size=(320, 240), box=BOX):
    """A grey view with a coloured visitor in `box`."""
    pixels = np.full((size[1], size[0], 3), 110, np.uint8)
    rows = slice(int(box.y0 * size[1]), int(box.y1 * size[1]))
    pixels[rows, int(box.x0 * size[0]) : int(box.x1 * size[0])] = colour
    return encode(Picture(1, START, pixels, box), "a bird")


@pytest.fixture
def row(tmp_path):
    return AlderRow(tmp_path)


@pytest.fixture
def visit(row, monkeypatch):
    """Store a visit of a visitor of this colour; returns its id."""

    def come(colour):
        monkeypatch.setattr("unit.journal.alder_row.jpeg", lambda _number: jpeg(colour))
        [stored] = row.add((NOON, BIRD, Outcome.TELL))
        return stored

    return come


def mark(row, visit, what):
    return marks.make(row.state, visit, what, NOON + timedelta(hours=1), group_of=GROUPS)


def test_a_named_visit_is_taught_and_told_from_then_on(row, visit):
    trainable, shades = ColourTrainable(), [(200, 60, 40), (210, 70, 40), (190, 60, 50)]
    for colour in shades:
        mark(row, visit(colour), "robin")
    mark(row, visit((90, 60, 30)), "wren")
    Feedback(row.state, trainable).take_in(None)
    assert trainable.taught.names == ("robin", "wren")
    assert [each.group for each in album.examples(row.state)] == ["bird"] * 4
    taught_picture = album.pixels(row.state / album.FOLDER / album.examples(row.state)[0].picture)
    assert abs(taught_picture.mean(axis=(0, 1)) - shades[0]).max() < 60  # the visitor, not the view


def test_taking_a_name_back_unteaches_it_and_another_name_moves_it(row, visit):
    trainable = ColourTrainable()
    examples = Feedback(row.state, trainable)
    one, other = visit((200, 60, 40)), visit((90, 60, 30))
    mark(row, one, "robin")
    mark(row, other, "robin")
    examples.take_in(None)
    mark(row, one, "undo")
    mark(row, other, "wren")
    examples.take_in(None)
    assert trainable.taught.names == ("wren",)
    assert [each.picture for each in album.examples(row.state)] == [f"bird/wren/visit-{other}.jpg"]
    mark(row, other, "nobody")
    examples.take_in(None)
    assert trainable.taught is None


def test_a_visit_that_keeping_removed_stays_taught(row, visit):
    trainable = ColourTrainable()
    mark(row, visit((200, 60, 40)), "robin")
    Feedback(row.state, trainable).take_in(None)
    store = row.store()
    store.upkeep(1, 10**9, NOON + timedelta(days=30), frozenset())
    store.close()
    marks.upkeep(row.state, 1, NOON + timedelta(days=30))
    Feedback(row.state, trainable).take_in(None)
    assert trainable.taught.names == ("robin",)


def test_nobody_joins_the_memory_of_the_place_once(row, visit):
    trainable = ColourTrainable()
    examples = Feedback(row.state, trainable)
    mark(row, visit((60, 60, 60)), "nobody")
    known = examples.take_in(place_for("m", 4))
    assert known.memory.learned == 1
    assert known.marks_seen == 1
    assert examples.take_in(known) is known
    assert Feedback(row.state, trainable).take_in(known).memory.learned == 1


@pytest.mark.parametrize("then", ["undo", "wren"])
def test_nobody_taken_back_or_overruled_leaves_the_memory_of_the_place(row, visit, then):
    examples = Feedback(row.state, ColourTrainable())
    one, other = visit((60, 60, 60)), visit((70, 60, 60))
    mark(row, one, "nobody")
    mark(row, other, "nobody")
    known = examples.take_in(place_for("m", 4))
    assert known.memory.mark.tolist() == [1, 2]
    mark(row, one, then)
    left = examples.take_in(known)
    assert left.memory.mark.tolist() == [2]
    assert examples.take_in(left) is left


@pytest.mark.parametrize("at_once", [True, False])
def test_nobody_that_stands_again_is_learned_again(row, visit, at_once):
    examples, place = Feedback(row.state, ColourTrainable()), place_for("m", 4)
    one = visit((60, 60, 60))
    mark(row, one, "nobody")
    place = place if at_once else examples.take_in(place)
    mark(row, one, "wren")
    place = examples.take_in(place)
    assert place.memory.mark.tolist() == []
    place = restored(place_for("m", 4), *saved(place).values())
    mark(row, one, "undo")
    place = examples.take_in(place)
    assert place.memory.mark.tolist() == [1]
    assert place.marks_left == ()
    assert examples.take_in(place) is place


def test_only_so_many_pictures_at_once_and_the_rest_later(row, visit):
    trainable = ColourTrainable()
    examples, place = Feedback(row.state, trainable), place_for("m", 4)
    for _ in range(3):
        mark(row, visit((200, 60, 40)), "robin")
    for _ in range(3):
        mark(row, visit((50, 50, 50)), "nobody")
    turns = 0
    while examples._done is None:
        before, looked = place.memory.learned, trainable.looked
        place = examples.take_in(place, at_once=2)
        assert place.memory.learned - before + trainable.looked - looked <= 2
        turns += 1
        assert turns < 20
    assert place.memory.learned == 3
    assert len(trainable.taught.marks) == 3


def test_nothing_is_computed_twice_and_a_changed_picture_again(row, visit):
    mark(row, visit((200, 60, 40)), "robin")
    Feedback(row.state, ColourTrainable()).take_in(None)
    again = ColourTrainable()
    Feedback(row.state, again).take_in(None)
    assert again.looked == 0
    assert again.taught.names == ("robin",)
    path = row.state / album.FOLDER / album.examples(row.state)[0].picture
    Image.new("RGB", (50, 60), (0, 0, 255)).save(path)
    teach_from_album(row.state, again)
    assert again.looked == 1


def test_a_name_cannot_lead_out_of_the_album(row, visit):
    mark(row, visit((200, 60, 40)), "../../robin")
    Feedback(row.state, ColourTrainable()).take_in(None)
    [example] = album.examples(row.state)
    assert example.name == "-.-..-robin"
    assert (row.state / album.FOLDER / example.picture).is_file()


def test_a_picture_that_cannot_be_read_is_passed_over_and_said(row, visit, caplog):
    mark(row, visit((200, 60, 40)), "robin")
    bad = row.state / album.FOLDER / "bird" / "wren" / "x.jpg"
    bad.parent.mkdir(parents=True)
    bad.write_bytes(b"no picture")
    trainable = ColourTrainable()
    examples = Feedback(row.state, trainable)
    examples.take_in(None)
    examples.take_in(None)
    assert trainable.taught.names == ("robin",)
    assert caplog.text.count("not taught") == 1


def pictures(folder, **names):
    for name, colours in names.items():
        (folder / name).mkdir(parents=True)
        for number, colour in enumerate(colours):
            Image.new("RGB", (300, 200), colour).save(folder / name / f"{number}.png")
    return folder


REDS, BROWNS = [(200, 60 + i, 40) for i in range(5)], [(90, 60 + i, 30) for i in range(5)]


def test_a_folder_of_pictures_by_name(tmp_path):
    given, state, out = (
        pictures(tmp_path / "given", Robin=REDS, wren=BROWNS),
        tmp_path / "state",
        io.StringIO(),
    )
    add(state, given, GROUPS, None, out)
    show(state, ColourTrainable(), out)
    lines = out.getvalue().splitlines()
    assert lines[0] == "10 pictures of 2 names added"
    assert lines[1].split() == ["name", "group", "pictures", "told", "from", "the", "others"]
    assert lines[2].split()[:3] == ["robin", "bird", "5"]
    assert lines[3].split()[:3] == ["wren", "bird", "5"]


def test_a_wrong_mark_is_named(tmp_path):
    given = pictures(tmp_path / "given", robin=[*REDS, (92, 61, 31)], wren=BROWNS)
    state, out = tmp_path / "state", io.StringIO()
    add(state, given, GROUPS, None, out)
    show(state, ColourTrainable(), out)
    assert "in doubt: bird/robin/5.jpg is more like wren" in out.getvalue()


def test_a_name_is_taken_back_whole_and_lies_where_it_says(tmp_path):
    given, state, out = (
        pictures(tmp_path / "given", robin=REDS, wren=BROWNS),
        tmp_path / "state",
        io.StringIO(),
    )
    add(state, given, GROUPS, None, out)
    forget(state, "Robin", out)
    assert {each.name for each in album.examples(state)} == {"wren"}
    assert str(state / "taught" / "taken-back" / "bird" / "robin") in out.getvalue()
    forget(state, "bird/wren/2.jpg", out)
    assert len(album.examples(state)) == 4
    with pytest.raises(ConfigError, match='nothing is taught as "robin"'):
        forget(state, "robin", out)


@pytest.mark.parametrize(
    ("names", "message"),
    [
        ({}, "no pictures in folders of names"),
        ({"bird": REDS}, '"bird" is not a name to teach'),
        ({"jenny": REDS}, 'what kind of visitor a "jenny" is'),
    ],
)
def test_what_cannot_be_taught_is_said_and_nothing_is_added(tmp_path, names, message):
    given = pictures(tmp_path / "given", **names)
    given.mkdir(exist_ok=True)
    with pytest.raises(ConfigError, match=message):
        add(tmp_path / "state", given, GROUPS, None, io.StringIO())
    assert not (tmp_path / "state").exists()


def test_one_bad_picture_and_nothing_is_added(tmp_path):
    given = pictures(tmp_path / "given", robin=REDS)
    (given / "robin" / "9.jpg").write_bytes(b"\xff\xd8 no more")
    with pytest.raises(ConfigError, match=r"robin/9\.jpg: cannot be read as a picture"):
        add(tmp_path / "state", given, GROUPS, None, io.StringIO())
    assert not (tmp_path / "state").exists()


def test_a_new_name_needs_its_group(tmp_path):
    given = pictures(tmp_path / "given", jenny=REDS)
    add(tmp_path / "state", given, GROUPS, "cat", io.StringIO())
    assert {(each.name, each.group) for each in album.examples(tmp_path / "state")} == {("jenny", "cat")}


def test_a_folder_that_is_no_group_is_an_error_with_its_remedy(tmp_path):
    (tmp_path / album.FOLDER / "birds").mkdir(parents=True)
    with pytest.raises(ConfigError, match="no group of visitors") as caught:
        album.examples(tmp_path)
    assert "bird, squirrel" in caught.value.remedy


def test_a_model_without_features_cannot_be_taught(tmp_path):
    trainable = ColourTrainable()
    trainable.teaching_features = 0
    with pytest.raises(ConfigError, match="gives no features"):
        show(tmp_path, trainable, io.StringIO())
