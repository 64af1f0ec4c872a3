"""The site's memory of nobody, on made-up features."""

import io
import zipfile
from dataclasses import replace

import numpy as np
import pytest

from dooryard.core.records import Box
from dooryard.site import memory
from dooryard.site.memory import COLUMNS, PER_PART, RESIDUALS, ROWS
from dooryard.site.subspace import FALSE_RATE, FARTHEST, LEAST, LONGER

D = 40
MODEL = "a network"


def box(x=0.5, y=0.5):
    return Box(x - 0.05, y - 0.05, x + 0.05, y + 0.05)


def empties(count, seed=1, base=0):
    """Features that stray a little around one direction."""
    random = np.random.default_rng(seed)
    centre = np.zeros(D)
    centre[base : base + 3] = 1.0
    return (centre + random.normal(0, 0.08, (count, D))).astype(np.float32)


def taught(count=60, **how):
    state = memory.blank(D)
    for features in empties(count, **how):
        state = memory.learn(state, box(), features)
    return state


def test_a_cold_start_says_nothing():
    state = memory.blank(D)
    for number, features in enumerate(empties(LEAST)):
        assert memory.novelty(state, features) is None, number
        state = memory.learn(state, box(), features)
    assert memory.ratio(memory.novelty(state, empties(1)[0])) == 0.0


def test_nobody_again_is_nothing_new_and_somebody_is():
    state = taught(120)
    again = [memory.novelty(state, features) for features in empties(100, seed=2)]
    new = [memory.novelty(state, features) for features in empties(20, seed=3, base=10)]
    assert np.mean(np.array(again) > 0) <= 2 * FALSE_RATE
    assert min(new) > 0.5


def test_the_rate_of_false_alarms_is_the_places_own():
    """A place that varies more has a longer threshold: the stated rate holds at both."""
    for spread in (0.03, 0.3):
        random = np.random.default_rng(7)
        state = memory.blank(D)
        vectors = np.ones(D) + random.normal(0, spread, (600, D))
        for features in vectors[:300].astype(np.float32):
            state = memory.learn(state, box(), features)
        novelty = [memory.novelty(state, f) > 0 for f in vectors[300:].astype(np.float32)]
        assert np.mean(novelty) <= 2 * FALSE_RATE


def test_the_first_looks_do_not_stretch_the_threshold():
    """They stray far only because there was little before them: the later half alone is asked."""
    state = taught(100)
    half = len(state.residuals) // 2
    stretched = np.concatenate([state.residuals[:half] * 10, state.residuals[half:]])
    assert memory.threshold_of(stretched, state.usual) == state.threshold


@pytest.mark.parametrize("spread", [0.1, 2.0])
def test_the_threshold_is_a_quantile_no_longer_than_most_residuals_allow(spread):
    """Against numpy's own, to the next stray."""
    residuals = (1 + spread * np.random.default_rng(5).random(100) ** 4).astype(np.float32)
    later = residuals[50:]
    quantile = np.quantile(later, 1 - FALSE_RATE, method="higher")
    most = FARTHEST * np.quantile(later, 0.5, method="higher")
    found = memory.threshold_of(residuals, taught().usual._replace(longest=99.0))
    assert found == pytest.approx(min(quantile, most))
    assert (quantile > most) == (spread == 2.0)


def test_a_look_is_measured_by_the_threshold():
    state, look = taught(100), empties(1, seed=9)[0]
    twice = replace(state, threshold=2 * state.threshold)
    gap = memory.novelty(state, look) - memory.novelty(twice, look)
    assert gap == pytest.approx(np.log(2))


def test_the_threshold_is_no_longer_than_the_directions_allow():
    usual, residuals = taught().usual, np.ones(100, np.float32)
    assert memory.threshold_of(residuals, usual._replace(longest=0.5)) == 0.5
    assert memory.threshold_of(residuals[:3], usual) is None
    assert memory.threshold_of(residuals, None) is None


def test_what_is_left_over_is_that_of_a_whole_decomposition():
    """Reference: numpy.linalg.svd (LAPACK) of the looks themselves, where none of them is odd."""
    state, look = taught(100), empties(1, seed=9, base=5)[0]
    usual = state.usual._replace(longest=99.0)
    state = replace(state, usual=usual, threshold=memory.threshold_of(state.residuals, usual))
    mean = state.vectors.mean(axis=0)
    _, _, right = np.linalg.svd(state.vectors - mean, full_matrices=False)
    directions = right[: len(state.usual.directions)]
    raised = look * np.sqrt(np.abs(look))
    off = raised / np.linalg.norm(raised) - mean
    rest = np.linalg.norm(off - directions.T @ (directions @ off))
    later = np.sort(state.residuals[len(state.residuals) // 2 :])
    assert memory.novelty(state, look) == pytest.approx(
        np.log(rest / later[int(0.95 * len(later))]), abs=1e-4
    )
    assert len(directions) == D // 8


@pytest.mark.parametrize(("wrong", "looks"), [(1, 60), (1, 120), (2, 120), (3, 120), (3, 240)])
def test_a_visitor_learned_by_mistake_stays_strange_and_others_too(wrong, looks):
    """A bird that sat there unseen at a quiet moment must not be taken for the place ever after."""
    state = taught(looks)
    bird, other = empties(20 + wrong, seed=3, base=10), empties(20, seed=4, base=20)
    for features in bird[:wrong]:
        state = memory.learn(state, box(), features)
    assert min(memory.novelty(state, features) for features in bird[wrong:]) > 0.5
    assert min(memory.novelty(state, features) for features in other) > 0.5


@pytest.mark.parametrize("looks", [40, 120])
def test_a_mark_taken_back_leaves_no_trace(looks):
    state = taught(looks)
    told = memory.learn(state, box(), empties(1, seed=3, base=10)[0], mark=7)
    back = memory.forget(told, {7})
    others = [*empties(20, seed=4, base=20), *empties(20, seed=5)]
    # It had pushed a background sample out of its part, which does not come back.
    assert [memory.novelty(back, f) for f in others] == pytest.approx(
        [memory.novelty(state, f) for f in others], abs=0.05
    )
    assert back.residuals.tolist() == state.residuals.tolist()


def test_a_look_that_is_no_numbers_teaches_and_says_nothing():
    state, look = taught(), empties(1)[0]
    for wrong in (np.nan, np.inf, 1e30):
        features = np.concatenate([look[:-1], [wrong]]).astype(np.float32)
        assert memory.novelty(state, features) is None
        assert memory.learn(state, box(), features) is state


def test_the_owners_words_outlive_background_samples_and_each_other():
    state = taught(30)
    for number, features in enumerate(empties(4, seed=3, base=10), 1):
        state = memory.learn(state, box(), features, mark=number)
    for features in empties(80, seed=6):
        state = memory.learn(state, box(), features)
    assert set(state.mark.tolist()) == {0, 1, 2, 3, 4}
    assert len(state.vectors) == PER_PART


def test_what_the_owner_called_nobody_is_part_of_the_place_at_once_until_taken_back():
    state = taught(120)
    shadow = empties(21, seed=3, base=10)
    told = memory.learn(state, box(), shadow[0], mark=7)
    assert np.median([memory.novelty(told, features) for features in shadow[1:]]) < memory.TURN
    again = memory.load(memory.save(told, MODEL), MODEL, D)
    assert memory.novelty(again, shadow[1]) == memory.novelty(told, shadow[1])
    assert memory.forget(told, {3, 9}) is told
    back = memory.forget(told, {3, 7, 9})
    assert min(memory.novelty(back, features) for features in shadow[1:]) > 0.5


@pytest.mark.parametrize("looks", [30, 60, 120])
def test_what_comes_again_and_again_becomes_usual_and_visitors_stay_strange(looks):
    """Snow that lies: after some looks it is the place."""
    state = taught(120)
    snow = empties(looks + 10, seed=3, base=10)
    for features in snow[:looks]:
        state = memory.learn(state, box(), features)
    assert np.median([memory.novelty(state, features) for features in snow[looks:]]) < 0.1
    assert min(memory.novelty(state, features) for features in empties(20, seed=4, base=20)) > 0.5


def test_what_is_left_over_of_known_looks_is_about_what_is_without_them():
    """Reference: numpy.linalg.svd (LAPACK) of all looks but one, for each look in turn."""
    state, left = taught(100), []
    for number in range(len(state.vectors)):
        others = np.delete(state.vectors, number, axis=0)
        _, _, right = np.linalg.svd(others - others.mean(axis=0), full_matrices=False)
        directions = right[: len(state.usual.directions)]
        off = state.vectors[number] - others.mean(axis=0)
        left.append(np.linalg.norm(off - directions.T @ (directions @ off)))
    longest = LONGER * np.quantile(left, 1 - FALSE_RATE)
    assert state.usual.longest == pytest.approx(longest, rel=0.15)


def test_evidence_of_novelty_is_bounded_and_of_nothing_known_none():
    assert memory.ratio(None) == 0
    assert memory.ratio(99.0) == memory.MOST_NOVEL
    assert memory.ratio(-99.0) == -memory.MOST_FAMILIAR


def test_never_a_judge_alone():
    """The strangest look there is makes nobody out of a look in which the network sees nothing."""
    nothing = {"bird": 0.02, "cat": 0.01}
    assert sum(memory.posterior(nothing, memory.MOST_NOVEL).values()) < 0.35
    assert memory.posterior({"bird": 0.0}, memory.MOST_NOVEL) == {"bird": 0.0}


def test_it_is_bounded_and_keeps_each_part_of_the_view():
    state = memory.blank(D)
    random = np.random.default_rng(3)
    state = memory.learn(state, box(0.1, 0.1), empties(1, base=20)[0])
    for features in random.normal(0, 1, (RESIDUALS + 20, D)).astype(np.float32):
        state = memory.learn(state, box(0.9, 0.9), features)
    assert len(state.vectors) == PER_PART + 1
    assert len(state.residuals) == RESIDUALS
    for features in random.normal(0, 1, (600, D)).astype(np.float32):
        state = memory.learn(state, box(*random.uniform(0.1, 0.9, 2)), features)
    assert len(state.vectors) <= ROWS * COLUMNS * PER_PART


def test_rare_looks_outlive_many_common_ones():
    state = memory.blank(D)
    rare = empties(1, base=30)[0]
    state = memory.learn(state, box(), rare)
    for features in empties(300):
        state = memory.learn(state, box(), features)
    assert memory.novelty(state, rare) is not None
    raised = rare * np.sqrt(np.abs(rare))
    unit = raised / np.linalg.norm(raised)
    assert (state.vectors.astype(np.float32) @ unit).max() > 0.99


def test_the_newest_looks_are_always_there():
    state = taught(200)
    newest = set(range(200 - PER_PART // 2, 200))
    assert newest <= set(state.order.tolist())


def test_saved_and_read_again_it_is_the_same():
    state = taught()
    again = memory.load(memory.save(state, MODEL), MODEL, D)
    assert again is not None
    for name in ("vectors", "part", "order", "mark", "residuals"):
        assert (getattr(again, name) == getattr(state, name)).all()
    assert again.learned == state.learned
    look = empties(1, seed=9)[0]
    assert memory.novelty(again, look) == memory.novelty(state, look)


def _altered(**arrays):
    with np.load(io.BytesIO(memory.save(taught(), MODEL))) as saved:
        whole = {name: saved[name] for name in saved.files} | arrays
    out = io.BytesIO()
    np.savez(out, **whole)
    return out.getvalue()


def _bomb():
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("vectors.npy", bytes(50_000_000))
    return out.getvalue()


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"not an archive",
        memory.save(taught(), MODEL)[:-40],
        memory.save(taught(), "another network"),
        _altered(vectors=np.zeros((60, D + 1), np.float16)),
        _altered(vectors=np.full((60, D), np.nan, np.float16)),
        _altered(part=np.full(60, 99, np.int16)),
        _altered(residuals=np.array(["x"], dtype=object)),
        _altered(form=np.array(1)),
        _bomb(),
    ],
    ids=[
        "nothing",
        "junk",
        "cut",
        "other network",
        "other width",
        "nan",
        "no such part",
        "pickle",
        "other form",
        "bomb",
    ],
)
def test_what_is_not_a_memory_of_this_network_is_refused(data):
    assert memory.load(data, MODEL, D) is None


def test_features_of_another_length_are_refused():
    with pytest.raises(ValueError, match="the memory has"):
        memory.novelty(taught(), np.zeros(D + 1, np.float32))
