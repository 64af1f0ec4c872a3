"""How often a visit is given its bird's name, a wrong one, or none.

    python tools/measure_visits.py --pictures FOLDER --kept FOLDER [--card CARD] [--half chosen|others]
        [--list REGION] [--elsewhere NAME ...]

Photographs stand in a folder for each species (see visit_looks.py, which also says how they are seen); they
are not part of the project. The answers of both networks are kept in `--kept`, as they take minutes. Each
visit is joined and told as the daemon does. Species are cut in two halves by their order in the alphabet:
tools/choose_visit_numbers.py looks at one alone, so "others" is what nothing was chosen on.

Printed, with 95 % limits (Wilson 1927) by visits; visits of one species are not independent, so true limits
are wider:

- visits by listed species, named right and wrong, for light and for mixed looks;
- visits by each of them with that species struck from the list, given a (wrong) name;
- the same visits under the list of another continent, where the species is not on it;
- visits by birds on no list, or that the model does not know;
- expected calibration error of the names told.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

import visit_looks
from dooryard.classify import regions, scores, species
from dooryard.classify.calibration import calibrated, expected_error
from dooryard.classify.garden_birds import called
from dooryard.classify.labels import Label
from dooryard.classify.network import Network
from dooryard.classify.onnx import ASK_WHICH_FROM, BUILT_IN, BUILT_IN_BIRDS
from dooryard.classify.presence import leaning
from dooryard.classify.species import Classes, Numbers
from dooryard.core.records import Visitor
from dooryard.journal.tally import wilson
from dooryard.service.build import evidence_rules
from dooryard.tracking import evidence
from dooryard.tracking.evidence import Evidence, EvidenceRules
from visit_looks import Answers

NORTH_AMERICA, EUROPE = regions.NORTH_AMERICA, "europe"


@dataclass(frozen=True)
class Study:
    """Looks with their truth, and the networks that answered."""

    answers: Answers
    groups: tuple[tuple[dict[str, float], ...], ...]  # of each visit's looks, by the first network
    truth: tuple[str | None, ...]  # scientific name; None: the model does not know the bird
    labels: Sequence[Label]

    def where(self, chosen: NDArray[np.intp]) -> Study:
        """Those visits of the numbers `chosen`."""
        return Study(
            self.answers.where(chosen),
            tuple(self.groups[i] for i in chosen.tolist()),
            tuple(self.truth[i] for i in chosen.tolist()),
            self.labels,
        )


class Outcome(NamedTuple):
    """What became of N visits."""

    right: NDArray[np.bool_]
    named: NDArray[np.bool_]
    sure: NDArray[np.float64]  # of what was told

    @property
    def wrong(self) -> NDArray[np.bool_]:
        return self.named & ~self.right


def study(pictures: Path, sort: str, first: Network, which: Network, kept: Path | None) -> Study:
    """Return visits of `sort` at every picture, with the groups that the first network gives."""
    answers = visit_looks.visits(pictures, sort, first, which, kept)
    known = visit_looks.scientific_of(sorted(set(answers.species.tolist())), which.labels)
    groups = tuple(
        tuple(_groups(answers, first, visit, look) for look in range(visit_looks.LOOKS))
        for visit in range(len(answers.species))
    )
    return Study(answers, groups, tuple(known[name] for name in answers.species.tolist()), which.labels)


def _groups(answers: Answers, first: Network, visit: int, look: int) -> dict[str, float]:
    noisy = answers.gain[visit, look] >= first.card.noise.gain
    logits = (answers.first_filtered if noisy else answers.first)[visit, look]
    features = (answers.features_filtered if noisy else answers.features)[visit, look]
    totals = scores.read(logits, first.labels).totals
    assert first.card.evidence is not None  # the built-in model's
    assert first.presence is not None
    return calibrated(totals, first.card.evidence, leaning(first.presence, features))


def half(names: Sequence[str], which: str) -> NDArray[np.intp]:
    """Numbers of the visits by species of one half: "chosen" or "others"."""
    order = {name: number for number, name in enumerate(sorted(set(names)))}
    parity = 0 if which == "chosen" else 1
    return np.array([i for i, name in enumerate(names) if order[name] % 2 == parity], dtype=np.intp)


def outcome(those: Study, region: frozenset[str] | None, numbers: Numbers, noisy_gain: float) -> Outcome:
    """Join each visit's looks and tell it, as the daemon would at a place with `region`."""
    classes = Classes(those.labels, region)
    rules = evidence_rules(numbers)
    told = [_told(those, visit, classes, numbers, noisy_gain, rules) for visit in range(len(those.truth))]
    named = np.array([who is not None and who.species is not None for who in told], dtype=bool)
    right = np.array(
        [
            who is not None and who.species is not None and who.scientific == truth
            for who, truth in zip(told, those.truth, strict=True)
        ],
        dtype=bool,
    )
    return Outcome(right, named, np.array([who.sure if who is not None else 0.0 for who in told]))


def _told(
    those: Study, visit: int, classes: Classes, numbers: Numbers, noisy_gain: float, rules: EvidenceRules
) -> Visitor | None:
    joined, answers = Evidence(), those.answers
    for look, groups in enumerate(those.groups[visit]):
        names = species.SpeciesAnswer()
        if groups["bird"] >= ASK_WHICH_FROM:
            noisy = answers.gain[visit, look] >= noisy_gain
            logits = (answers.which_filtered if noisy else answers.which)[visit, look]
            names = species.told(logits, classes, numbers)
        joined = evidence.added(joined, groups, names.listed, names.unlisted)
    return evidence.who(joined, rules)


def on_list(those: Study, region: frozenset[str]) -> NDArray[np.intp]:
    """Numbers of the visits by species of `region`."""
    return np.array([i for i, truth in enumerate(those.truth) if truth in region], dtype=np.intp)


def struck(those: Study, region: frozenset[str], numbers: Numbers, noisy_gain: float) -> NDArray[np.bool_]:
    """Whether each visit by a listed species is given a name while that species is not on the list."""
    found = []
    for latin in sorted({truth for truth in those.truth if truth is not None and truth in region}):
        own = np.array([i for i, truth in enumerate(those.truth) if truth == latin], dtype=np.intp)
        without = region - {each for bird in called(latin) for each in bird.scientific}
        found.append(outcome(those.where(own), without, numbers, noisy_gain).named)
    return np.concatenate(found)


def report(title: str, hits: NDArray[np.bool_]) -> None:
    """Print a share with its limits."""
    count, of = int(hits.sum()), len(hits)
    if not of:
        print(f"{title}: there is none")
        return
    low, high = wilson(count, of)
    print(f"{title}: {count / of:.3f} ({low:.3f} to {high:.3f}), {count} of {of}")


def report_all(
    those: Study, sort: str, listed: str, elsewhere: Sequence[str], numbers: Numbers, noisy_gain: float
) -> None:
    """Print every row for visits of one sort."""
    region, other = regions.region(listed), regions.region(EUROPE if listed != EUROPE else NORTH_AMERICA)
    own = those.where(on_list(those, region))
    names = len(set(own.truth))
    found = outcome(own, region, numbers, noisy_gain)
    print(f"\n{sort} looks, {names} species on the list of {listed}")
    report("  named right", found.right)
    report("  named wrong", found.wrong)
    told = found.named
    if told.any():
        gap = expected_error(found.sure[told], found.right[told])
        print(f"  expected calibration error of the names told: {gap:.3f}")
    report("  given a name while struck from the list", struck(own, region, numbers, noisy_gain))
    apart = own.where(np.array([i for i, truth in enumerate(own.truth) if truth not in other], dtype=np.intp))
    report(
        "  given a name under the other continent's list", outcome(apart, other, numbers, noisy_gain).named
    )
    strange = np.array([i for i, truth in enumerate(those.truth) if truth not in region], dtype=np.intp)
    rest = those.where(strange)
    far = np.isin(rest.answers.species, list(elsewhere))
    named = outcome(rest, region, numbers, noisy_gain).named
    report("  birds of other continents (--elsewhere), given a name", named[far])
    report("  other birds that are on no list, given a name", named[~far])


def main() -> None:
    arguments = argparse.ArgumentParser(description="Measure the names of visits.")
    arguments.add_argument(
        "--pictures", type=Path, required=True, help="a folder of pictures for each species"
    )
    arguments.add_argument("--kept", type=Path, help="where the networks' answers are kept")
    arguments.add_argument("--card", type=Path, default=BUILT_IN_BIRDS, help="of the species model")
    arguments.add_argument("--half", choices=("chosen", "others"), help="of the species; left out: all")
    arguments.add_argument("--list", default=NORTH_AMERICA, metavar="REGION")
    arguments.add_argument(
        "--elsewhere", nargs="*", default=[], metavar="NAME", help="folders of other continents"
    )
    given = arguments.parse_args()
    first, which = Network(BUILT_IN), Network(given.card)
    for sort in visit_looks.SORTS:
        those = study(given.pictures, sort, first, which, given.kept)
        if not len(those.truth):
            sys.exit(f"{given.pictures}: there are no pictures in folders of species")
        if given.half:
            those = those.where(half(those.answers.species.tolist(), given.half))
        report_all(those, sort, given.list, given.elsewhere, which.card.names, which.card.noise.gain)


if __name__ == "__main__":
    main()
