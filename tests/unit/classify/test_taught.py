"""Teaching, on made-up features: names are directions, pictures stray around them."""

import io
import time

import numpy as np
import pytest

from dooryard.classify import taught
from dooryard.classify.taught import NamedPicture

D, MODEL = 128, "a network"


def pictures(direction, count, seed, stray=0.05):
    random = np.random.default_rng([seed, direction])
    centre = np.random.default_rng(direction).normal(0, 1, D)
    return (centre / np.linalg.norm(centre) + random.normal(0, stray, (count, D))).astype(np.float32)


def marks(names, count, seed=1):
    return tuple(
        NamedPicture(f"{name}-{i}", name, "bird", features)
        for k, name in enumerate(names)
        for i, features in enumerate(pictures(k + 1, count, seed))
    )


def units(rows):
    return [row / np.sqrt(sum(float(value) ** 2 for value in row)) for row in rows]


def nearest_means(named):
    """Centre and class means by the definition, in plain loops."""
    names = sorted({name for name, _ in named})
    first = {name: np.mean(units([f for n, f in named if n == name]), axis=0) for name in names}
    centre = np.mean([first[name] for name in names], axis=0)
    means = {}
    for name in names:
        mine = units([unit - centre for unit in units([f for n, f in named if n == name])])
        means[name] = units([np.sum(mine, axis=0)])[0]
    return centre, means


NAMES = ("wren", "robin", "dunnock", "blue tit")


@pytest.mark.parametrize("count", [1, 3, 5, 10, 20])
def test_told_from_so_many_pictures(count):
    known = taught.teach(marks(NAMES, count))
    for k, name in enumerate(NAMES):
        tellings = [taught.tell(known, features) for features in pictures(k + 1, 30, seed=2)]
        assert np.mean([one.name == name for one in tellings]) >= 0.95
        assert np.mean([one.told for one in tellings]) >= 0.6


@pytest.mark.parametrize("count", [1, 3, 5, 20])
def test_strangers_stay_not_sure(count):
    known = taught.teach(marks(NAMES, count))
    tellings = [taught.tell(known, f) for k in range(50, 90) for f in pictures(k, 3, seed=2)]
    assert np.mean([one.told for one in tellings]) <= 0.05


def test_one_name_alone_can_be_taught():
    known = taught.teach(marks(("wren",), 6))
    assert taught.tell(known, pictures(1, 1, seed=5)[0]).name == "wren"
    assert not taught.tell(known, pictures(60, 1, seed=5)[0]).told


def test_the_stated_share_of_marks_is_accepted():
    """By definition of the threshold: the quantile of the leave-one-out scores."""
    known = taught.teach(marks(NAMES, 20), acceptance=0.9)
    assert np.mean(known.scores >= known.threshold) == pytest.approx(0.9, abs=0.02)


def test_a_mark_that_disagrees_is_found_and_can_be_taken_back():
    wrong = NamedPicture("slip", "wren", "bird", pictures(2, 1, seed=9)[0])
    given = (*marks(NAMES, 8), wrong)
    (doubt,) = [one for one in taught.doubts(taught.teach(given)) if one.picture == "slip"]
    assert (doubt.name, doubt.looks_like) == ("wren", "robin")
    back = taught.without(given, "slip")
    assert len(back) == len(given) - 1
    assert all(one.picture != "slip" for one in taught.doubts(taught.teach(back)))


def test_undo_leaves_what_would_have_been_without_the_mark():
    given = marks(NAMES, 5)
    extra = NamedPicture("later", "wren", "bird", pictures(1, 1, seed=9)[0])
    one, other = taught.teach(given), taught.teach(taught.without((*given, extra), "later"))
    assert (one.means == other.means).all()
    assert one.threshold == other.threshold


def test_surer_the_more_alike():
    known = taught.teach(marks(NAMES, 20))
    near = taught.tell(known, pictures(1, 1, seed=3, stray=0.01)[0])
    far = taught.tell(known, pictures(1, 1, seed=3, stray=0.15)[0])
    assert near.sure > far.sure


def test_means_are_those_of_plain_loops():
    given = marks(NAMES, 5)
    centre, means = nearest_means([(mark.name, mark.features) for mark in given])
    known = taught.teach(given)
    assert np.allclose(known.centre, centre, atol=1e-6)
    assert np.allclose(known.means, [means[name] for name in known.names], atol=1e-5)


def test_only_the_newest_marks_of_a_name_are_kept():
    known = taught.teach(marks(("wren", "robin"), taught.MOST_MARKS + 5))
    assert len(known.marks) == 2 * taught.MOST_MARKS
    assert known.marks[0].picture == "wren-5"


def test_twenty_birds_with_twenty_pictures_in_less_than_a_second():
    wide = np.random.default_rng(0).normal(0, 1, (400, 1280)).astype(np.float32)
    given = tuple(NamedPicture(str(i), f"bird {i % 20}", "bird", row) for i, row in enumerate(wide))
    start = time.process_time()
    taught.teach(given)
    assert time.process_time() - start < 1.0


def test_saved_and_read_again_the_marks_are_the_same():
    given = marks(NAMES, 3)
    again = taught.load(taught.save(given, MODEL), MODEL, D)
    assert again is not None
    assert [mark[:3] for mark in again] == [mark[:3] for mark in given]
    for one, other in zip(again, given, strict=True):
        assert np.allclose(one.features, other.features, atol=1e-3)  # kept as float16
    assert taught.load(taught.save((), MODEL), MODEL, D) == ()


@pytest.mark.parametrize(
    "data",
    [b"", b"junk", taught.save(marks(NAMES, 2), MODEL)[:-30], taught.save(marks(NAMES, 2), "another")],
    ids=["nothing", "junk", "cut", "other network"],
)
def test_what_are_no_marks_of_this_network_is_refused(data):
    assert taught.load(data, MODEL, D) is None


def test_a_pickle_is_refused():
    out = io.BytesIO()
    np.savez(out, model=MODEL, words=np.array([object()]), features=np.zeros((1, D), np.float16))
    assert taught.load(out.getvalue(), MODEL, D) is None


def test_nothing_cannot_be_taught():
    with pytest.raises(ValueError, match="there must be marks"):
        taught.teach(())
