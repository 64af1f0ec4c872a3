"""Measuring the teaching on one's own pictures: who is taught, told on and strange, and what comes out."""

import numpy as np
import pytest
from PIL import Image

import measure_taught_model as measure
from dooryard.core.errors import ConfigError

COLOURS = {"red": (220, 30, 30), "green": (30, 200, 40), "blue": (20, 40, 210), "grey": (128, 128, 128)}


class MeanColour:
    """Features are the mean colour of the box."""

    def embed(self, pixels, box):
        height, width = pixels.shape[:2]
        part = pixels[int(box.y0 * height) : int(box.y1 * height), int(box.x0 * width) : int(box.x1 * width)]
        return part.reshape(-1, 3).mean(axis=0).astype(np.float32)


def pictures(folder, counts):
    random = np.random.default_rng(4)
    for name, count in counts.items():
        (folder / name).mkdir(parents=True)
        for number in range(count):
            noisy = np.array(COLOURS[name]) + random.normal(0, 8, (40, 60, 3))
            Image.fromarray(noisy.clip(0, 255).astype(np.uint8)).save(folder / name / f"{number}.png")
    return folder


@pytest.fixture(scope="module")
def pool(tmp_path_factory):
    folder = pictures(tmp_path_factory.mktemp("own"), {"red": 8, "green": 8, "blue": 8, "grey": 4})
    (folder / "red" / "notes.txt").write_text("no picture")
    return measure.of_pictures(folder, MeanColour())


def test_pictures_are_read_by_the_names_of_their_folders(pool):
    names, counts = np.unique(pool.names, return_counts=True)
    assert dict(zip(names.tolist(), counts.tolist(), strict=True)) == {
        "red": 8, "green": 8, "blue": 8, "grey": 4,
    }  # fmt: skip
    assert pool.features[pool.names == "red"].mean(axis=0) == pytest.approx(COLOURS["red"], abs=2)


@pytest.mark.parametrize(("names", "count"), [(20, 1), (20, 5), (2, 3)])
def test_no_picture_is_both_taught_and_told_on_and_no_stranger_is_taught(pool, names, count):
    rounds = list(measure.own_trials(pool, names, count))
    assert len(rounds) == 10
    for trial in rounds:
        taught, strange = set(trial.taught.names.tolist()), set(trial.strangers.names.tolist())
        assert len(taught) == min(names, 3)
        assert not taught & strange
        assert taught | strange == set(COLOURS)
        assert set(trial.told_on.names.tolist()) == taught
        assert [(trial.taught.names == name).sum() for name in taught] == [count] * len(taught)
        whole = [trial.taught, trial.told_on, trial.strangers]
        assert len(np.unique(np.concatenate([part.features for part in whole]), axis=0)) == 28
    assert len({tuple(trial.taught.features[:, 0].tolist()) for trial in rounds}) > 1


def test_a_name_with_too_few_pictures_to_be_told_on_is_a_stranger(pool):
    assert all("grey" not in trial.taught.names for trial in measure.own_trials(pool, 20, 4))
    assert list(measure.own_trials(pool, 20, 8)) == []


def test_names_that_are_right_and_names_that_are_wrong_are_counted_apart(pool):
    rights = []
    for trial in measure.own_trials(pool, 2, 3):
        found = measure.figures(trial)
        rights.append(found.right)
        assert found.wrong == 0  # colours so far apart are not sure or right
        one, other = np.unique(trial.told_on.names)
        names = np.where(trial.told_on.names == one, other, one)
        swapped = measure.figures(trial._replace(told_on=trial.told_on._replace(names=names)))
        assert swapped[:2] == (0, found.right)
    assert np.mean(rights) > 0.5


def test_strangers_that_look_as_what_was_taught_are_counted(pool):
    trial = next(iter(measure.own_trials(pool, 2, 3)))
    assert measure.figures(trial._replace(strangers=trial.taught)).strange > 0.8


def test_what_is_printed(pool, capsys):
    for count in (3, 8):
        measure.report(count, list(measure.own_trials(pool, 3, count)))
    first, second = capsys.readouterr().out.splitlines()
    assert first.startswith(" 3 pictures each of 3: right ")
    assert "strangers told as taught" in first
    assert second == " 8 pictures each: too few pictures to teach so many and have others to tell"


def test_a_folder_that_will_not_do(tmp_path):
    with pytest.raises(SystemExit, match="put pictures in a folder for each name"):
        measure.of_pictures(pictures(tmp_path, {"red": 2}), MeanColour())
    (tmp_path / "red" / "torn.png").write_bytes(b"no picture")
    with pytest.raises(ConfigError, match="torn"):
        measure.of_pictures(tmp_path, MeanColour())
