"""What the looks of a visit say together, by hand."""

from dataclasses import replace

import pytest

from dooryard.core.records import Naming, Visitor
from dooryard.tracking import evidence
from dooryard.tracking.evidence import LIKENESS, Evidence, EvidenceRules
from helpers import sighting

RULES = EvidenceRules()


def seen(*looks):
    found = Evidence()
    for look in looks:
        found = evidence.looked(found, look)
    return found


def look(t=0.0, species=(), **groups):
    return replace(sighting(t, species=species), groups=groups)


def finch(p, name="house finch", scientific="Haemorhous mexicanus"):
    return Naming("bird", p, name, scientific)


def test_before_any_look_there_is_nobody_to_tell():
    assert evidence.who(Evidence(), RULES) is None
    assert evidence.probabilities(Evidence())["nobody"] == pytest.approx(0.5)


def test_one_look_is_believed_as_it_is():
    groups = {"bird": 0.7, "cat": 0.1}
    found = evidence.probabilities(seen(look(**groups)))
    assert found["bird"] == pytest.approx(0.7, abs=0.005)
    assert found["cat"] == pytest.approx(0.1, abs=0.005)
    assert found["nobody"] == pytest.approx(0.2, abs=0.005)


def test_so_many_looks_are_worth_so_much():
    """Kish's effective sample size: 4 / (1 + 3 * likeness)."""
    assert seen(*[look(bird=0.6)] * 4).worth == pytest.approx(4 / (1 + 3 * LIKENESS))


def test_a_bird_whose_species_is_not_sure():
    visitor = evidence.who(seen(*[look(bird=0.8)] * 3), RULES)
    assert visitor is not None
    assert (visitor.group, visitor.species, visitor.name) == ("bird", None, "a bird, species not sure")
    assert 0.8 < visitor.sure < 0.98


def test_an_animal_where_the_looks_do_not_agree_which():
    visitor = evidence.who(seen(look(squirrel=0.9), look(cat=0.9), look(rabbit=0.9), look(dog=0.9)), RULES)
    assert visitor is not None
    assert visitor.name == "an animal, not sure which"


def test_nobody_where_most_looks_say_so():
    assert evidence.who(seen(look(bird=0.6), look(bird=0.05), look(bird=0.05)), RULES) is None


def test_a_species_named_again_and_again_is_told():
    visitor = evidence.who(seen(*[look(bird=0.98, species=(finch(0.97),))] * 3), RULES)
    assert visitor == Visitor("bird", visitor.sure, "house finch", "Haemorhous mexicanus")
    assert visitor.sure > 0.9


def test_a_species_named_in_one_look_of_three_is_not_told():
    visitor = evidence.who(
        seen(look(bird=0.98, species=(finch(0.99),)), look(bird=0.98), look(bird=0.98)), RULES
    )
    assert visitor is not None
    assert visitor.species is None


def test_two_species_that_take_turns_are_neither_told():
    looks = [
        look(bird=0.98, species=(finch(0.97),)),
        look(bird=0.98, species=(finch(0.97, "goldfinch", None),)),
    ]
    visitor = evidence.who(seen(*looks, *looks), RULES)
    assert visitor is not None
    assert visitor.species is None


def test_a_species_of_another_group_is_not_told():
    naming = Naming("fox", 0.99, "red fox", "Vulpes vulpes")
    visitor = evidence.who(seen(*[look(bird=0.9, species=(naming,))] * 3), RULES)
    assert visitor is not None
    assert visitor.species is None


def test_two_visits_made_one_are_as_if_they_had_been_one():
    first, second = [look(bird=0.7, species=(finch(0.6),)), look(cat=0.3)], [look(bird=0.9)]
    assert evidence.together(seen(*first), seen(*second)) == seen(*first, *second)


SPECIES_MODEL = EvidenceRules(one_rival=False)


def test_looks_that_show_no_name_say_nothing_where_a_species_model_looks():
    looks = [look(bird=0.98, species=(finch(0.98),))] * 2 + [look(bird=0.98, species=(finch(0.02),))] * 2
    assert evidence.who(seen(*looks), SPECIES_MODEL).species == "house finch"


def test_a_look_alike_in_each_look_keeps_a_name_from_being_told():
    """One that may not be told here counts as much as one that may."""
    doubtful = replace(look(bird=0.98, species=(finch(0.55),)), unlisted=(finch(0.4, "cassin's finch", "C"),))
    visitor = evidence.who(seen(*[doubtful] * 5), SPECIES_MODEL)
    assert visitor == Visitor("bird", visitor.sure)


def test_without_a_species_model_a_network_s_doubt_stays():
    """Its few names leave out what the bird could be taken for: 0.6 again and again is still no name."""
    looks = seen(*[look(bird=0.98, species=(finch(0.6),))] * 5)
    assert evidence.who(looks, RULES).species is None
    assert evidence.who(looks, SPECIES_MODEL).species == "house finch"


def test_one_look_shares_its_chance_among_the_names_as_it_says() -> None:
    """By hand: 0.5 for one name, 0.001 for each of 400, and 0.1 for the 599 that are left of a thousand."""
    others = [finch(0.001, f"finch {n}", f"Fringilla {n}") for n in range(400)]
    found = seen(look(species=(finch(0.5), *others), bird=0.999))
    rules = EvidenceRules(species=0.3, one_rival=False)
    visitor = evidence.who(found, rules)
    assert visitor is not None
    assert visitor.species == "house finch"
    assert visitor.group_sure is not None
    by_hand = 0.5 / (0.5 + 400 * 0.001 + 599 * 0.1 / 1000)
    assert visitor.sure / visitor.group_sure == pytest.approx(by_hand, abs=0.002)
    assert evidence.who(found, replace(rules, species=by_hand + 0.01)) == replace(
        visitor, species=None, scientific=None, sure=visitor.group_sure, group_sure=None
    )


def test_somebody_who_is_just_as_likely_as_nobody_counts_as_somebody() -> None:
    assert evidence.somebody(seen(look(bird=0.5))) == 0.5
    assert evidence.who(seen(look(bird=0.5)), RULES) is not None
    assert evidence.who(seen(look(bird=0.49)), RULES) is None


def test_a_group_is_named_by_its_part_of_somebody() -> None:
    visitor = evidence.who(seen(look(bird=0.45, cat=0.15)), RULES)  # three quarters of what is somebody
    assert visitor is not None
    assert visitor.group == "bird"
    doubtful = evidence.who(seen(look(bird=0.35, cat=0.3)), RULES)
    assert doubtful is not None
    assert doubtful.group == "animal"
