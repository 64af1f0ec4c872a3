"""Kept answers: found again, and never for another frame, box or model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from dooryard.classify.fake import FakeClassifier
from dooryard.core.records import Box, Exposure, Naming
from dooryard.rehearse.answers import CachedSighting, RememberingClassifier, file_name, key_of, load, save
from helpers import frame

BOX = Box(0.2, 0.2, 0.6, 0.6)


def answer(value=0.25, features=None):
    species = (Naming("bird", 1 / 3, "house finch", "Haemorhous mexicanus"), Naming("bird", 0.1))
    unlisted = (Naming("bird", 0.125, "shoebill", "Balaeniceps rex"),)
    return CachedSighting({"bird": value, "cat": 0.0}, species, unlisted, 51.7, features)


def test_numbers_come_back_as_they_were(tmp_path):
    vector = np.random.default_rng(1).normal(size=12).astype(np.float32)
    kept = {"a": answer(0.1 + 0.2, vector), "b": answer(1e-17)}
    assert save(tmp_path / "answers.npz", kept) is None
    found, trouble = load(tmp_path / "answers.npz")
    assert trouble is None
    assert found["a"].groups == kept["a"].groups
    assert found["a"].species == kept["a"].species
    assert found["a"].unlisted == kept["a"].unlisted
    assert np.array_equal(found["a"].features, vector)
    assert found["b"].features is None
    assert found["b"].groups == kept["b"].groups


def test_no_file_yet(tmp_path):
    assert load(tmp_path / "answers.npz") == ({}, None)


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04", b"nonsense" * 100])
def test_a_damaged_file_is_said_and_made_again(tmp_path, data):
    path = tmp_path / "answers.npz"
    path.write_bytes(data)
    found, trouble = load(path)
    assert found == {}
    assert "cannot be read and is rebuilt" in trouble


def test_every_cut_of_a_file_is_damage_or_the_whole(tmp_path):
    path = tmp_path / "answers.npz"
    save(path, {"a": answer()})
    whole = path.read_bytes()
    for length in range(0, len(whole), 7):
        path.write_bytes(whole[:length])
        assert load(path)[0] == {}


def test_a_folder_that_may_not_be_written_to(tmp_path):
    trouble = save(tmp_path / "missing" / "answers.npz", {})
    assert "are not kept" in trouble


def test_another_frame_or_box_has_another_key():
    first = frame(1, 0.2)
    lit = np.array(first.luma)
    lit[3, 3] += 1
    others = [
        replace(first, number=2),
        replace(first, luma=lit),
        replace(first, exposure=Exposure(gain=2.0)),
        frame(1, 0.4),
    ]
    keys = {key_of(each, BOX) for each in (first, *others)} | {key_of(first, BOX._replace(x0=0.2000001))}
    assert len(keys) == 6
    assert key_of(first, BOX) == key_of(frame(1, 0.2), BOX)


def test_another_model_has_another_file():
    def nobody(_number, _box):
        return {}

    one, other = FakeClassifier(nobody), FakeClassifier(nobody)
    assert file_name(one) == file_name(other)
    other.card = replace(other.card, model_sha256="1")
    assert file_name(one) != file_name(other)


def test_only_new_boxes_are_asked_about():
    inner = FakeClassifier(lambda _number, _box: {"bird": 0.8})
    remembering = RememberingClassifier(inner, {}, pictures=True)
    first, other = frame(1, 0.2), Box(0.5, 0.5, 0.9, 0.9)
    remembering.look(first, [BOX])
    both = remembering.look(first, [other, BOX])
    assert inner.looked_at == [(1, BOX), (1, other)]
    assert [sighting.box for sighting in both] == [other, BOX]
    assert both[1].picture.pixels.shape == (60, 80, 3)
    assert remembering.look(first, []) == ()
