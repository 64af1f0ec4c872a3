from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dooryard.core.ids import id_for
from dooryard.core.records import Naming
from dooryard.tracking import visits
from dooryard.tracking.visits import VisitSettings, VisitsState
from helpers import moment, sighting

SETTINGS = VisitSettings()


def run(script, settings=SETTINGS, until=None):
    """Play (t, sightings) pairs; return the state and all changes."""
    state, log = VisitsState(salt=b"test"), []
    for t, seen in script:
        state, changes = visits.advance(state, seen, moment(t), settings)
        log.append(changes)
    if until is not None:
        state, changes = visits.advance(state, (), moment(until), settings)
        log.append(changes)
    return state, log


def stay(group="bird", start=0.0, looks=5, every=1.0, p=0.9, at=(0.5, 0.5), species=()):
    return [
        (start + i * every, (sighting(start + i * every, group, p, at, species=species),))
        for i in range(looks)
    ]


def test_an_arrival_a_stay_and_a_departure():
    state, log = run(stay(looks=5), until=20)
    ended = [v for changes in log for v in changes.ended]
    assert len(ended) == 1
    assert state.tracks == ()
    assert ended[0].sightings == 5
    assert ended[0].stay_s == pytest.approx(4)
    assert ended[0].end == moment(4)
    assert ended[0].visitor.name == "a bird, species not sure"
    assert 0.9 < ended[0].visitor.sure < 1


def test_nothing_is_settled_on_one_look():
    _, log = run(stay(looks=2))
    assert [changes.settled for changes in log] == [(), ()]


def test_settled_once_seen_often_and_long_enough():
    _, log = run(stay(looks=4))
    assert [len(changes.settled) for changes in log] == [0, 0, 1, 1]


def test_a_visit_that_comes_to_nothing_is_dropped_and_named():
    script = [(0.0, (sighting(0.0, p=0.4),)), *((t, (sighting(t, p=0.0),)) for t in (1.0, 2.0, 3.0))]
    _, log = run(script, until=20)
    assert [len(c.ended) for c in log] == [0] * 5
    assert len(log[-1].nobody) == 1


def test_looks_at_the_empty_place_do_not_prolong_a_visit():
    leaving = [(4.0 + t, (sighting(4.0 + t, p=0.05),)) for t in range(1, 8)]
    _, log = run(stay(looks=5) + leaving)
    ended = [v for changes in log for v in changes.ended]
    assert [v.stay_s for v in ended] == [4.0]
    assert ended[0].visitor.sure > 0.9


def test_doubtful_looks_of_another_kind_do_not_prolong_a_visit():
    shadow = [(6.0 + t, (sighting(6.0 + t, "rabbit", p=0.28),)) for t in range(1, 8)]
    _, log = run(stay("squirrel", looks=7) + shadow)
    assert [v.stay_s for changes in log for v in changes.ended] == [6.0]


def test_one_doubtful_look_is_nobody_and_one_clear_look_is_somebody():
    for p, sort in ((0.6, "nobody"), (0.85, "ended")):
        _, log = run(stay(looks=1, p=p), until=10)
        assert len(getattr(log[-1], sort)) == 1


def test_a_tail_that_leaves_last_is_no_visit_of_its_own():
    """A squirrel sits for six seconds; what is left of it in the picture looks like a dog."""
    tail = [
        (6.4, (sighting(6.4, "dog", 0.9, at=(0.3, 0.5)),)),
        (7.2, (sighting(7.2, "dog", 0.9, at=(0.2, 0.5)),)),
    ]
    _, log = run(stay("squirrel", looks=7) + tail, until=30)
    assert [v.visitor.group for changes in log for v in changes.ended] == ["squirrel"]
    assert [v.visitor.group for changes in log for v in changes.merged] == ["dog"]


def test_a_dog_that_comes_and_stays_after_the_squirrel_is_one():
    dog = stay("dog", start=7.5, looks=5, at=(0.3, 0.5))
    _, log = run(stay("squirrel", looks=7) + dog, until=30)
    assert [v.visitor.group for changes in log for v in changes.ended] == ["squirrel", "dog"]


def test_a_weak_sighting_opens_nothing():
    state, _ = run([(0.0, (sighting(0.0, p=0.34),))])
    assert state.tracks == ()


def test_a_squirrel_where_a_bird_was_is_another_visit():
    state, _ = run(stay("bird", looks=3) + stay("squirrel", start=3.0, looks=3))
    assert [t.visit.visitor.group for t in state.tracks] == ["bird", "squirrel"]


def test_two_birds_far_apart_are_two_visits():
    left, right = (0.2, 0.5), (0.8, 0.5)
    state, _ = run([(0.0, (sighting(0.0, at=left), sighting(0.0, at=right)))])
    assert len({t.visit.id for t in state.tracks}) == 2


def test_a_visitor_that_hops_along_stays_one_visit():
    script = [(t, (sighting(t, at=(0.2 + 0.08 * t, 0.8)),)) for t in range(6)]
    state, _ = run(script)
    assert len(state.tracks) == 1


def test_a_gap_shorter_than_gone_after_is_the_same_visit_and_a_longer_one_is_not():
    same, _ = run([*stay(looks=3), (2 + 6.0, (sighting(8.0),))])
    other, log = run([*stay(looks=3), (2 + 6.1, (sighting(8.1),))])
    assert len(same.tracks) == 1
    assert same.tracks[0].visit.sightings == 4
    # the sighting joins first, so the longer gap is a matter of frames without sightings in between
    assert len(other.tracks) == 1
    late, log = run([*stay(looks=3), (8.05, ()), (8.1, (sighting(8.1),))])
    assert len(log[-2].ended) == 1
    assert late.tracks[0].visit.sightings == 1


def test_the_best_picture_is_the_clear_one():
    blurred = sighting(0.0)
    sharp = sighting(1.0)
    object.__setattr__(sharp, "sharpness", 500.0)
    state, _ = run([(0.0, (blurred,)), (1.0, (sharp,)), (2.0, (sighting(2.0, p=0.5),))])
    assert state.tracks[0].visit.best is sharp.picture


def test_a_species_is_named_only_where_it_is_earned():
    magpie = (Naming("bird", 0.95, "magpie", "Pica pica"),)
    doubtful = (Naming("bird", 0.6, "magpie", "Pica pica"),)
    sure, _ = run(stay(looks=4, p=0.97, species=magpie))
    unsure, _ = run(stay(looks=4, p=0.97, species=doubtful))
    assert sure.tracks[0].visit.visitor.name == "magpie"
    assert sure.tracks[0].visit.visitor.scientific == "Pica pica"
    assert unsure.tracks[0].visit.visitor.name == "a bird, species not sure"


def test_one_sure_look_does_not_name_a_species_for_the_whole_visit():
    magpie = (Naming("bird", 0.99, "magpie", "Pica pica"),)
    state, _ = run(
        [(0.0, (sighting(0.0, species=magpie),)), (1.0, (sighting(1.0),)), (2.0, (sighting(2.0),))]
    )
    assert state.tracks[0].visit.visitor.species is None


def test_two_visits_that_prove_to_be_one_visitor_become_the_older_one():
    """A squirrel arrives, looks like a dog for a moment, and is a squirrel again."""
    start = [(0.0, (sighting(0.0, "dog", 0.6),)), *stay("squirrel", start=1.0, looks=2, p=0.95)]
    state, _ = run(start)
    assert len(state.tracks) == 2
    state, log = run([*start, *[(t, (sighting(t, "squirrel", 0.45),)) for t in (3.0, 4.0, 5.0, 6.0, 7.0)]])
    merged = [v for changes in log for v in changes.merged]
    assert len(state.tracks) + len(merged) + sum(len(c.nobody) + len(c.ended) for c in log) == 2


def test_two_pieces_of_one_frame_are_one_look():
    one = (sighting(0.0, at=(0.45, 0.5)), sighting(0.0, at=(0.55, 0.5)))
    state, _ = run([(0.0, one)])
    assert [t.visit.sightings for t in state.tracks] == [1]
    assert state.tracks[0].visit.box.x0 < 0.36
    assert state.tracks[0].visit.box.x1 > 0.64


def test_two_of_a_sort_that_come_together_are_one_visitor_and_the_younger_is_told_as_merged():
    """Head and tail of a dog that comes out from behind the feeder."""
    ends = [(0.0, 0.3, 0.7), (1.0, 0.42, 0.58), (2.0, 0.455, 0.545)]
    script = [(t, tuple(sighting(t, "dog", 0.9, at=(x, 0.5), size=0.1) for x in (a, b))) for t, a, b in ends]
    state, log = run(script)
    (merged,) = [v for changes in log for v in changes.merged]
    assert [track.visit.sightings for track in state.tracks] == [6]
    assert merged.id != state.tracks[0].visit.id
    assert merged.end == merged.last_seen == moment(2.0)


def test_neighbours_of_one_group_that_do_not_touch_stay_two():
    pair = [(t, (sighting(t, at=(0.2, 0.5)), sighting(t, at=(0.46, 0.5)))) for t in (0.0, 1.0, 2.0)]
    state, _ = run(pair)
    assert [track.visit.sightings for track in state.tracks] == [3, 3]


@pytest.mark.parametrize(("p", "opens"), [(0.35, 1), (0.349, 0)])
def test_the_opening_probability_from_both_sides(p, opens):
    assert len(run([(0.0, (sighting(0.0, p=p),))])[0].tracks) == opens


@pytest.mark.parametrize(("at_x", "visits_open"), [(0.6999, 1), (0.76, 2)])
def test_a_visitor_is_followed_as_far_as_it_can_hop(at_x, visits_open):
    """0.2 of the picture's width from centre to centre, or until its edges part by more than 0.05."""
    state, _ = run([(0.0, (sighting(0.0, size=0.1),)), (1.0, (sighting(1.0, at=(at_x, 0.5), size=0.1),))])
    assert len(state.tracks) == visits_open


def test_large_visitors_are_one_while_they_touch_however_far_their_centres_are():
    state, _ = run([
        (0.0, (sighting(0.0, at=(0.3, 0.5), size=0.5),)), (1.0, (sighting(1.0, at=(0.7, 0.5), size=0.5),)),
    ])  # fmt: skip
    assert len(state.tracks) == 1


def test_the_nearer_of_two_visits_goes_on_and_the_older_of_two_as_near():
    size = 0.0625  # binary fractions, so that as near is exactly as near
    two = (sighting(0.0, at=(0.375, 0.5), size=size), sighting(0.0, at=(0.625, 0.5), size=size))
    for at_x, looks in ((0.53125, [1, 2]), (0.46875, [2, 1]), (0.5, [2, 1])):
        state, _ = run([(0.0, two), (1.0, (sighting(1.0, at=(at_x, 0.5), size=size),))])
        assert [track.visit.sightings for track in state.tracks] == looks


@pytest.mark.parametrize(("was", "now", "visits_open"), [
    (("bird", 0.9), ("squirrel", 0.9), 2),  # both are clear, and disagree
    (("bird", 0.9), ("squirrel", 0.5), 2),
    (("bird", 0.9), ("squirrel", 0.49), 1),  # the new look is not
    (("bird", 0.45), ("squirrel", 0.9), 1),  # the visit is not
    (("bird", 0.9), ("bird", 0.9), 1),
])  # fmt: skip
def test_a_look_is_another_visit_only_where_both_are_clear(was, now, visits_open):
    state, _ = run([(0.0, (sighting(0.0, *was),)), (1.0, (sighting(1.0, *now),))])
    assert len(state.tracks) == visits_open


def test_the_likeliest_group_of_a_look_counts():
    mixed = replace(sighting(1.0), groups={"squirrel": 0.35, "bird": 0.6})
    state, _ = run([(0.0, (sighting(0.0),)), (1.0, (mixed,))])
    assert len(state.tracks) == 1


def test_a_look_without_any_group_may_be_anybody():
    nothing = replace(sighting(1.0), groups={})
    state, _ = run([(0.0, (sighting(0.0),)), (1.0, (nothing,))])
    assert state.tracks[0].evidence.looks == 2  # it speaks against the young visit


def test_what_came_to_nothing_teaches_its_emptiest_look_and_so_it_does_at_the_end():
    features = np.arange(3, dtype=np.float32)
    looks = [(0.0, (replace(sighting(0.0, p=0.4), features=features),)), (1.0, (sighting(1.0, p=0.0),))]
    _, log = run(looks, until=20)
    assert [each.features is features for each in log[-1].empty] == [True]
    state, _ = run(looks)
    _, changes = visits.finish(state, moment(2), SETTINGS)
    assert [each.features is features for each in changes.empty] == [True]
    assert len(changes.nobody) == 1


def dog_beside_a_squirrel(start, stay_s, looks, *, after=7, reach_x=0.3):
    dog = [
        (
            start + stay_s * i / max(1, looks - 1),
            (sighting(start + stay_s * i / max(1, looks - 1), "dog", 0.9, at=(reach_x, 0.5)),),
        )
        for i in range(looks)
    ]
    return run(sorted([*stay("squirrel", looks=after), *dog], key=lambda pair: pair[0]), until=60)[1]


@pytest.mark.parametrize(("start", "stay_s", "looks", "piece"), [
    (6.4, 0.8, 2, True),
    (6.4, 1.9, 4, True),  # seen often, but short
    (6.4, 3.0, 3, True),  # long, but hardly seen
    (6.4, 2.0, 4, False),  # long enough and seen often enough
    (8.0, 0.8, 2, True),  # two seconds after the squirrel was last seen
    (8.1, 0.8, 2, False),
])  # fmt: skip
def test_a_piece_is_short_or_hardly_seen_and_begins_while_the_other_lasts_or_just_after(
    start, stay_s, looks, piece
):
    log = dog_beside_a_squirrel(start, stay_s, looks)
    ended = [v.visitor.group for changes in log for v in changes.ended]
    assert ended == (["squirrel"] if piece else ["squirrel", "dog"])
    assert [v.visitor.group for changes in log for v in changes.merged] == (["dog"] if piece else [])


def test_a_short_visit_before_the_other_came_is_its_own():
    early = [
        (0.0, (sighting(0.0, "dog", 0.9, at=(0.3, 0.5)),)),
        (0.5, (sighting(0.5, "dog", 0.9, at=(0.3, 0.5)),)),
    ]
    _, log = run([*early, *stay("squirrel", start=2.1, looks=7)], until=60)
    assert sorted(v.visitor.group for changes in log for v in changes.ended) == ["dog", "squirrel"]


def test_a_piece_is_told_as_merged_when_everything_ends_too():
    state, _ = run([*stay("squirrel", looks=7), (6.5, (sighting(6.5, "dog", 0.9, at=(0.3, 0.5)),))])
    _, changes = visits.finish(state, moment(7), SETTINGS)
    assert [v.visitor.group for v in changes.ended] == ["squirrel"]
    assert [v.visitor.group for v in changes.merged] == ["dog"]


def test_who_departed_is_remembered_without_a_picture_and_not_for_long():
    state, _ = run(stay("squirrel", looks=7), until=12.1)
    assert [visit.best for visit in state.departed] == [None]
    for t, remembered in ((22.0, 1), (22.1, 0)):  # 2 x 6 s of absence and 2 x 2 s of pieces after 6 s
        later, _ = visits.advance(state, (), moment(t), SETTINGS)
        assert len(later.departed) == remembered


def test_only_stays_count_among_the_departed_and_at_most_eight():
    short, _ = run(stay("cat", looks=2, every=1.9), until=12)
    assert short.departed == ()
    wide = replace(SETTINGS, most_open=20)
    crowd = [
        (t, tuple(sighting(t, p=0.9, at=(0.05 + 0.1 * i, 0.1 + 0.3 * (i % 3)), size=0.02) for i in range(10)))
        for t in (0.0, 1.0, 2.0)
    ]
    state, _ = run(crowd, replace(wide, reach=0.0), until=9)
    assert len(state.departed) == 8


def test_the_salt_stays_so_that_ids_never_repeat():
    state, _ = run(stay(looks=4))
    after, _ = visits.finish(state, moment(4), SETTINGS)
    assert (after.salt, after.counter) == (b"test", 1)


def test_open_visits_are_bounded():
    crowd = tuple(sighting(0.0, at=(x, y), size=0.05) for x in (0.1, 0.5, 0.9) for y in (0.1, 0.5, 0.9))
    state, _ = run([(0.0, crowd)])
    assert len(state.tracks) == SETTINGS.most_open


def test_finish_ends_everything():
    state, _ = run(stay(looks=4))
    state, changes = visits.finish(state, moment(4), SETTINGS)
    assert len(changes.ended) == 1
    assert state.tracks == ()


def test_ids_differ_between_starts_and_sort_by_time():
    first, _ = run(stay(looks=1))
    later, _ = run(stay(looks=1, start=60.0))
    other_start = VisitsState(salt=b"other")
    other, _ = visits.advance(other_start, (sighting(0.0),), moment(0.0), SETTINGS)
    ids = [first.tracks[0].visit.id, other.tracks[0].visit.id, later.tracks[0].visit.id]
    assert len(set(ids)) == 3
    assert max(ids) == ids[2]


looks = st.lists(
    st.tuples(
        st.floats(0.05, 8.0),
        st.lists(
            st.builds(
                lambda g, p, x, y: (g, p, (x, y)),
                st.sampled_from(["bird", "squirrel", "cat"]), st.floats(0, 1),
                st.floats(0.1, 0.9), st.floats(0.1, 0.9),
            ),
            max_size=3,
        ),
    ),
    max_size=25,
)  # fmt: skip


@given(looks)
def test_law_each_visit_opened_ends_exactly_once(steps):
    """Whatever is seen, each id that opens leaves by one door, once, with a start before its end."""
    state, t, left = VisitsState(salt=b"law"), 0.0, []
    for gap, seen in steps:
        t += gap
        crops = tuple(sighting(t, g, p, at) for g, p, at in seen)
        state, changes = visits.advance(state, crops, moment(t), SETTINGS)
        left += [*changes.ended, *changes.nobody, *changes.merged]
        assert len(state.tracks) <= SETTINGS.most_open
        assert all(0 <= track.visit.visitor.sure <= 1 for track in state.tracks)
    state, changes = visits.finish(state, moment(t), SETTINGS)
    left += [*changes.ended, *changes.nobody, *changes.merged]
    assert len({v.id for v in left}) == len(left) == state.counter
    assert all(v.end is not None and v.start.wall <= v.end.wall for v in left)


def test_ids_of_a_recording_follow_from_its_times() -> None:
    """The number is of microseconds since 1970, with room for the visits of one frame."""
    state = VisitsState(salt=b"test", repeats=True)
    two = (sighting(0.0, at=(0.2, 0.5)), sighting(0.0, at=(0.8, 0.5)))
    ids = [track.visit.id for track in visits.advance(state, two, moment(0.0), SETTINGS)[0].tracks]
    since_us = round(moment(0.0).wall.timestamp() * 1_000_000)
    assert ids == [id_for(b"test", since_us * 64 + number, moment(0.0).wall) for number in (1, 2)]
    counted = visits.advance(replace(state, repeats=False), two, moment(0.0), SETTINGS)[0]
    assert [track.visit.id for track in counted.tracks] == [
        id_for(b"test", number, moment(0.0).wall) for number in (1, 2)
    ]


def test_a_recording_from_a_clock_that_was_never_set_has_ids_too() -> None:
    early = datetime(1969, 12, 31, 23, 59, tzinfo=UTC)
    look = replace(sighting(0.0), wall=early)
    state, _ = visits.advance(VisitsState(salt=b"test", repeats=True), (look,), moment(0.0), SETTINGS)
    assert state.tracks[0].visit.id == id_for(b"test", 1, early)


def test_lasting_are_those_that_have_settled_but_no_pieces_of_them() -> None:
    state, _ = run(stay(looks=2))
    assert visits.lasting(state, SETTINGS) == ()
    state, _ = run(stay(looks=4))
    assert [visit.id for visit in visits.lasting(state, SETTINGS)] == [state.tracks[0].visit.id]
    beside = [
        (at_s, (sighting(at_s, "bird", 0.95, at=(0.3, 0.5)), sighting(at_s, "cat", 0.95, at=(0.6, 0.5))))
        for at_s in (2.0, 2.6, 3.2, 3.8)
    ]
    state, _ = run(stay("bird", looks=2, at=(0.3, 0.5)) + beside)
    assert [track.visit.visitor.group for track in state.tracks] == ["bird", "cat"]
    assert [visit.visitor.group for visit in visits.lasting(state, SETTINGS)] == ["bird"]


def test_as_far_as_it_can_hop_and_not_a_hair_farther() -> None:
    far = replace(SETTINGS, reach=0.25)
    for at_x, count in ((0.75, 1), (0.751, 2)):
        hop = [(at_s, (sighting(at_s, at=(x, 0.5), size=0.02),)) for at_s, x in ((0.0, 0.5), (1.0, at_x))]
        state, _ = run(hop, far)
        assert len(state.tracks) == count


def test_the_likeliest_group_counts_whatever_it_is_called() -> None:
    look = replace(sighting(3.0), groups={"bird": 0.9, "squirrel": 0.1})
    state, _ = run([*stay("bird", looks=3), (3.0, (look,))])
    assert len(state.tracks) == 1


def test_gone_is_who_was_unseen_for_longer_than_that() -> None:
    just, _ = run(stay(looks=5), until=4 + SETTINGS.gone_after_s)
    assert len(just.tracks) == 1
    gone, _ = run(stay(looks=5), until=4 + SETTINGS.gone_after_s + 0.001)
    assert gone.tracks == ()


def test_a_look_of_another_clear_group_is_another_visit_whatever_else_it_may_be() -> None:
    look = replace(sighting(3.0), groups={"cat": 0.9, "dog": 0.1})
    state, _ = run([*stay("bird", looks=3), (3.0, (look,))])
    assert [track.visit.visitor.group for track in state.tracks] == ["bird", "cat"]
