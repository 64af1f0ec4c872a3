"""What the looks of one visit say together. Pure.

Two questions are kept apart, so that looks that do not agree on the animal still agree that there is one:
is there somebody (a log-likelihood ratio against nobody), and if so, of which group (a log-likelihood ratio
of each group against what is believed beforehand, counted by how much the look is of somebody at all).
Over a visit the ratios are averaged, and the average is worth so many independent looks as the looks are
alike:

    n_eff = n / (1 + (n - 1) * likeness)

the effective sample size of n observations with one correlation between all of them (Kish 1965, "Survey
Sampling", design effect of clusters). The same animal in the same light before the same leaves is no new
witness at each frame.

A third question is which name: a look gives each name a probability among `NAMES` that might be; what it does
not name shares the rest. The logs of what is more or less than an even chance are averaged in the same way.
So a look that shows no name at all says nothing, one that is sure of a name speaks against all others, and
what the model takes for a bird that does not live here speaks against those that do. Without a species model
a network's few names leave out what the animal could be taken for: the rest then counts as one rival's.

Laws: the order of the looks does not matter, to the bit (ratios are rounded to 1/1024, so that their
sums are exact); looks that agree never make what they favour less sure; nothing becomes surer than
`LIKENESS` and `LIMIT` allow.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from dooryard.classify.calibration import NOBODY, PRIOR
from dooryard.classify.labels import GROUPS
from dooryard.core.records import Naming, Sighting, Visitor

LIKENESS = 0.5
"""Correlation of the evidence of two looks at one visit. Measured 0.0 to 0.6 for four of five visitors, 0.6
for an empty feeder (tools/calibrate_model.py): towards the high end, since a wrong "somebody" costs more than
a late one."""

LIMIT = 6.0
"""The most that one look may say for or against anything (log-likelihood ratio, natural log)."""

BEFOREHAND = {group: PRIOR[group] / (1 - PRIOR[NOBODY]) for group in GROUPS}
"""What is believed of somebody's group before a look."""

LEAST_CHANCE = 1e-3  # anything less likely counts as this
_STEP = 1024.0
NAMES = 1000
"""Among so many names one is looked for: about as many as models know."""

_NAME_LIMIT = math.log(NAMES)  # the most that one look may say for or against a name


@dataclass(frozen=True, slots=True)
class EvidenceRules:
    """From which probability something is said at all."""

    somebody: float = 0.5  # below: nobody
    group: float = 0.6  # of what is somebody, to name a group rather than "an animal"
    species: float = 0.9  # to name a species rather than its group
    name_likeness: float = LIKENESS  # `LIKENESS` of what two looks say of the name
    one_rival: bool = True  # what looks do not name is one other name's; False: all others' alike


def _none() -> dict[str, float]:
    return dict.fromkeys(GROUPS, 0.0)


@dataclass(frozen=True, slots=True)
class Evidence:
    """Sums over the looks so far. The empty one is `Evidence()`."""

    looks: int = 0
    there: float = 0.0  # sum of log-likelihood ratios of somebody
    seen: float = 0.0  # sum of the looks' probabilities of somebody: the weights of `groups`
    groups: Mapping[str, float] = field(default_factory=_none)  # weighted sum of the groups' ratios
    species: Mapping[str, float] = field(
        default_factory=dict
    )  # sum of each name's log ratio to an unnamed one
    others: Mapping[str, float] = field(default_factory=dict)  # the same of names that may not be told
    names: Mapping[str, Naming] = field(default_factory=dict)

    @property
    def worth(self) -> float:
        """How many independent looks they are worth."""
        return self.looks / (1 + (self.looks - 1) * LIKENESS) if self.looks else 0.0


def looked(evidence: Evidence, sighting: Sighting) -> Evidence:
    """`evidence` with one more look."""
    return added(evidence, sighting.groups, sighting.species, sighting.unlisted)


def added(
    evidence: Evidence,
    groups: Mapping[str, float],
    species: Sequence[Naming] = (),
    unlisted: Sequence[Naming] = (),
) -> Evidence:
    """`evidence` with one more look, by what it says alone."""
    weight = _rounded(max(min(sum(groups.values()), 1.0), LEAST_CHANCE))
    sums = {
        group: total + _rounded(weight * _share_ratio(groups, group))
        for group, total in evidence.groups.items()
    }
    rest = 1.0 - sum(naming.probability for naming in (*species, *unlisted))
    unnamed = _rounded(math.log(min(max(rest, 1 / NAMES), 1.0)))
    told = [naming for naming in species if naming.species is not None]
    return Evidence(
        looks=evidence.looks + 1,
        there=evidence.there + there_ratio(groups),
        seen=evidence.seen + weight,
        groups=sums,
        species=_summed(evidence.species, _said(told, unnamed)),
        others=_summed(evidence.others, _said(unlisted, unnamed)),
        names={**evidence.names, **{str(one.species): replace(one, probability=1.0) for one in told}},
    )


def _said(namings: Sequence[Naming], unnamed: float) -> dict[str, float]:
    """What a look adds, for each name that it gives, to what it says of names that it does not give."""
    return {str(one.species): _name_ratio(one.probability) - unnamed for one in namings}


def _name_ratio(chance: float) -> float:
    return _rounded(min(max(math.log(max(chance, 1e-9) * NAMES), -_NAME_LIMIT), _NAME_LIMIT))


def _summed(one: Mapping[str, float], other: Mapping[str, float]) -> dict[str, float]:
    return {**one, **{name: one.get(name, 0.0) + value for name, value in other.items()}}


def there_ratio(groups: Mapping[str, float]) -> float:
    """Return the log-likelihood ratio of somebody against nobody that one look's `groups` give."""
    prior = math.log((1 - PRIOR[NOBODY]) / PRIOR[NOBODY])
    return _rounded(_log_odds(sum(groups.values()), LIMIT) - prior)


def _share_ratio(groups: Mapping[str, float], group: str) -> float:
    whole = sum(groups.values())
    if whole <= 0.0:
        return 0.0
    share = max(groups.get(group, 0.0) / whole, LEAST_CHANCE * BEFOREHAND[group])
    return min(max(math.log(share / BEFOREHAND[group]), -LIMIT), LIMIT)


def together(one: Evidence, other: Evidence) -> Evidence:
    """The evidence of two visits that turned out to be one."""
    return Evidence(
        looks=one.looks + other.looks,
        there=one.there + other.there,
        seen=one.seen + other.seen,
        groups={group: total + other.groups[group] for group, total in one.groups.items()},
        species=_summed(one.species, other.species),
        others=_summed(one.others, other.others),
        names={**one.names, **other.names},
    )


def somebody(evidence: Evidence) -> float:
    """Return the probability that there is somebody at all; without a look, what is believed beforehand."""
    mean = evidence.there / evidence.looks if evidence.looks else 0.0
    prior = math.log((1 - PRIOR[NOBODY]) / PRIOR[NOBODY])
    return 1.0 / (1.0 + math.exp(-(prior + evidence.worth * mean)))


def probabilities(evidence: Evidence) -> dict[str, float]:
    """Return the probability of each group and of "nobody"; they add up to 1."""
    weight = evidence.worth / evidence.seen if evidence.looks else 0.0
    logs = {group: math.log(BEFOREHAND[group]) + weight * total for group, total in evidence.groups.items()}
    most = max(logs.values())
    powers = {group: math.exp(value - most) for group, value in logs.items()}
    there = somebody(evidence)
    factor = there / math.fsum(powers.values())
    return {NOBODY: 1.0 - there} | {group: power * factor for group, power in powers.items()}


def who(evidence: Evidence, rules: EvidenceRules) -> Visitor | None:
    """Return who came, as exactly as the evidence allows, or None: nobody, as far as one can tell."""
    chances = probabilities(evidence)
    there = 1.0 - chances.pop(NOBODY)
    if evidence.looks == 0 or there < rules.somebody:
        return None
    group = max(GROUPS, key=chances.__getitem__)
    if group == "animal" or chances[group] < rules.group * there:
        return Visitor("animal", there)
    named = _named(evidence, group, rules)
    if named is not None and named[1] >= rules.species:
        naming, chance = named
        return Visitor(group, chance * chances[group], naming.species, naming.scientific, chances[group])
    return Visitor(group, chances[group])


def _named(evidence: Evidence, group: str, rules: EvidenceRules) -> tuple[Naming, float] | None:
    """The likeliest species of `group`, and its probability among all names that might be."""
    weight = 1.0 / (1 + (evidence.looks - 1) * rules.name_likeness)
    own = {name: value for name, value in evidence.species.items() if evidence.names[name].group == group}
    if not own:
        return None
    given = math.fsum(math.exp(weight * value) for each in (own, evidence.others) for value in each.values())
    rest = float(max(NAMES - len(own) - len(evidence.others), 0))
    if rules.one_rival:
        rest = math.exp(weight * evidence.looks * _NAME_LIMIT)
    best = max(sorted(own), key=own.__getitem__)
    return evidence.names[best], math.exp(weight * own[best]) / (given + rest)


def _log_odds(chance: float, limit: float) -> float:
    inside = min(max(chance, 1e-6), 1 - 1e-6)
    return _rounded(min(max(math.log(inside / (1 - inside)), -limit), limit))


def _rounded(value: float) -> float:
    return round(value * _STEP) / _STEP
