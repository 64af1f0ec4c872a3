"""What the site memory adds: looks and visits at places of the simulated garden after an hour of learning.

    python tools/measure_memory_model.py --looks FOLDER [--media FOLDER] [--wheels FOLDER]

Each place learns from 120 looks at nobody in its first hour (a seed tube that sways, leaves, lawn, fence;
with little and with strong noise), then sees 80 more looks at nobody and one visit of each animal. Given
twice: with nothing learned after the hour, though the light goes on to change, and with a memory that goes on
to learn from looks at nobody. And: what looks at a visitor do that were learned by mistake. With `--media`,
also how strange one real place looks to a memory of another, and of itself. With `--wheels` (those of
tools/build_model.py), the line of the memory's evidence is fitted on the development kinds first, beside
planes that have not seen what they judge (see tools/model_presence.py), and the card's lines.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

import calibrate_model
import model_looks
import model_presence
import model_scenes
from calibrate_model import KINDS, NOISES, TABLE, groups_of, lines
from dooryard.classify import scores
from dooryard.classify.calibration import NOBODY, expected_error
from dooryard.core.records import Box, Naming, Visitor
from dooryard.site import memory
from dooryard.site.site_model import MOST_SURE
from dooryard.tracking import evidence
from model_looks import Looks

RULES = evidence.EvidenceRules()
_SAMPLE_EVERY_S = 30.0
_WRONG_COSTS = 10.0  # a wrong "somebody" against a look that was missed
_WAYS = {
    "alone": "network and plane alone",
    "joint": "with an hour's memory",
    "going_on": "with a memory that goes on to learn",
}


class Place(NamedTuple):
    """What was seen after the hour of learning, (N,) each."""

    looks: Looks
    novelty: NDArray[np.float64]
    named: list[tuple[Naming, ...]]  # the species that may be named
    alone: list[dict[str, float]]  # the calibrated groups by network and plane
    joint: list[dict[str, float]]  # with the memory's evidence
    going_on: list[dict[str, float]]  # the same, where the memory goes on to learn in quiet moments


def place(looks: Looks, leaning: NDArray[np.float64]) -> Place:
    """Let the memory learn for an hour, then judge the rest; `leaning` is what the features say, (N,)."""
    state = memory.blank(looks.features.shape[1])
    learning = (looks.time_s < model_scenes.LEARNING_S) & (looks.group == NOBODY)
    for at in np.flatnonzero(learning):
        state = memory.learn(state, Box(*looks.boxes[at]), looks.features[at])
    later = looks.where(~learning)
    novelty = [memory.novelty(state, features) for features in later.features]
    alone = groups_of(later, lines(), leaning[~learning])
    joint = [memory.posterior(a, memory.ratio(s)) for a, s in zip(alone, novelty, strict=True)]
    named = [scores.read(row, TABLE).species for row in later.logits]
    going_on = learning_on(state, later, alone)
    return Place(later, np.array(novelty, dtype=np.float64), named, alone, joint, going_on)


def learning_on(
    state: memory.SiteMemory, looks: Looks, alone: list[dict[str, float]]
) -> list[dict[str, float]]:
    """The groups of `looks`, with a memory that learns on by background samples (see `site.site_model`)."""
    found, last_s = [], model_scenes.LEARNING_S
    rows = zip(looks.time_s, looks.features, looks.boxes, looks.group, alone, strict=True)
    for time_s, features, box, truth, groups in rows:
        found.append(memory.posterior(groups, memory.ratio(memory.novelty(state, features))))
        due = time_s - last_s >= _SAMPLE_EVERY_S
        if truth == NOBODY and due and sum(groups.values()) <= MOST_SURE:
            state, last_s = memory.learn(state, Box(*box), features), time_s
    return found


def fit(places: list[Place]) -> tuple[float, float]:
    """Slope and turn of the memory's evidence beside the network's; nobody weighs `_WRONG_COSTS` times."""
    novelty = np.concatenate([one.novelty for one in places])
    there = np.concatenate([one.looks.group != NOBODY for one in places])
    sure = np.array([sum(groups.values()) for one in places for groups in one.alone])
    network = np.log(sure / (1 - sure))
    weight = np.where(there, 1.0 / there.sum(), _WRONG_COSTS / (~there).sum())
    weight /= weight.sum()

    def loss(values: NDArray[np.float64]) -> float:
        ratio = np.clip(values[0] * (novelty - values[1]), -memory.MOST_FAMILIAR, memory.MOST_NOVEL)
        margin = (2 * there - 1) * (network + ratio)
        return float((weight * np.logaddexp(0, -margin)).sum()) + 1e-3 * float(values[0] / 8) ** 2

    best = minimize(loss, np.array([6.0, 0.3]), method="Nelder-Mead")
    return float(best.x[0]), float(best.x[1])


def visits(one: Place, groups: list[dict[str, float]]) -> list[tuple[str, Visitor | None]]:
    """(true group, what is told) of each visit, from all its looks."""
    found = []
    for number in np.unique(one.looks.visit[one.looks.visit >= 0]):
        at = np.flatnonzero(one.looks.visit == number)
        seen = evidence.Evidence()
        for i in at:
            seen = evidence.added(seen, groups[i], one.named[i])
        found.append((str(one.looks.group[at[0]]), evidence.who(seen, RULES)))
    return found


def report(name: str, places: list[Place]) -> None:
    """Print figures of looks and of visits, with and without the memory."""
    for how, words in _WAYS.items():
        groups = [one for part in places for one in getattr(part, how)]
        truth = np.concatenate([part.looks.group for part in places])
        where = np.concatenate([part.looks.place for part in places])
        size = np.concatenate([part.looks.longer_px for part in places])
        there = np.array([sum(one.values()) for one in groups])
        bird = np.array([one["bird"] for one in groups])
        empty, birds = truth == NOBODY, (truth == "bird") & (size >= 64)
        tube = empty & (where == "feeder")
        whole = [{**one, NOBODY: 1 - sum(one.values())} for one in groups]
        best = [max(one, key=one.__getitem__) for one in whole]
        sure = [max(one.values()) for one in whole]
        error = expected_error(sure, [a == b for a, b in zip(best, truth, strict=True)])
        print(f"{name}, {words}:")
        print(
            f"    {empty.sum()} looks at nobody told as somebody: {(there[empty] >= 0.5).sum()} "
            f"({tube.sum()} at the tube: {(there[tube] >= 0.5).sum()}); "
            f">= 0.35: {(there[empty] >= 0.35).sum()}"
        )
        print(
            f"    {birds.sum()} looks at birds told as bird: {(bird[birds] >= 0.5).mean():.3f}; "
            f"ECE of looks {error:.3f}"
        )
        told = [pair for part in places for pair in visits(part, getattr(part, how))]
        right = [who is not None and who.group == group for group, who in told]
        none = sum(who is None for _, who in told)
        other = sum(who is not None and who.group not in (group, "animal") for group, who in told)
        said = [(who.sure, hit) for (_, who), hit in zip(told, right, strict=True) if who is not None]
        print(
            f"    {len(told)} visits: right group {np.mean(right):.3f}, nobody {none}, wrong group {other}, "
            f"an animal {len(told) - sum(right) - none - other}; "
            f"ECE of what is told {expected_error([s for s, _ in said], [h for _, h in said]):.3f}"
        )


def species(name: str, places: list[Place]) -> None:
    """Print how near any look comes to a species that may be named; none of these visitors is of one."""
    named = [one for part in places for one in part.named]
    highest = max((naming.probability for one in named for naming in one), default=0.0)
    told = [who for part in places for _, who in visits(part, part.joint) if who is not None]
    print(
        f"{name}: a species that may be named has at most {highest:.2f} in {len(named)} looks "
        f"({RULES.species} names it); named in {sum(who.species is not None for who in told)} of "
        f"{len(told)} visits"
    )


def mistakes(name: str, sites: list[Looks]) -> None:
    """Print what becomes of visitors where looks at the first of them were learned as looks at nobody."""
    plane = calibrate_model.built_in()
    alones = [groups_of(site, lines(), calibrate_model.leanings(plane, site)) for site in sites]
    for looks, wrong in ((34, 0), (34, 1), (60, 2), (120, 0), (120, 3)):
        same: list[bool] = []
        others: list[bool] = []
        for site, alone in zip(sites, alones, strict=True):
            quiet = np.flatnonzero((site.time_s < model_scenes.LEARNING_S) & (site.group == NOBODY))[:looks]
            numbers = np.unique(site.visit[site.visit >= 0])
            first = np.flatnonzero(site.visit == numbers[0])
            state = memory.blank(site.features.shape[1])
            for at in (*quiet[: looks // 2], *first[:wrong], *quiet[looks // 2 :]):
                state = memory.learn(state, Box(*site.boxes[at]), site.features[at])
            rest = np.flatnonzero(np.isin(site.visit, numbers[1:]))
            for found, where in ((same, first[wrong:]), (others, rest)):
                for at in where:
                    ratio = memory.ratio(memory.novelty(state, site.features[at]))
                    found.append(sum(memory.posterior(alone[at], ratio).values()) >= 0.5)
        print(
            f"{name}: {wrong} looks at a visitor learned by mistake among {looks}: told as somebody are "
            f"{np.mean(same):.2f} of the later looks at it, {np.mean(others):.2f} of those at others"
        )


def table(places: list[Place]) -> None:
    """Print one line per animal or empty sort of place: how often each answer is given, with the memory."""
    names = np.concatenate(
        [np.where(one.looks.group == NOBODY, one.looks.place, one.looks.animal) for one in places]
    )
    groups = [group for one in places for group in one.joint]
    best = [
        max({**one, NOBODY: 1 - sum(one.values())}.items(), key=lambda item: item[1])[0] for one in groups
    ]
    for name in np.unique(names):
        mine = [answer for answer, of in zip(best, names, strict=True) if of == name]
        counts = sorted(((mine.count(answer), answer) for answer in set(mine)), reverse=True)
        shares = ", ".join(f"{answer} {count / len(mine):.3f}" for count, answer in counts)
        print(f"    {name:18s} {len(mine):4d} looks: {shares}")


def real(media: Path) -> None:
    """Novelty of real empty places to a memory of the same frame, and of another place."""
    looks = model_looks.joined(model_looks.photographs(split, media) for split in ("development", "test"))
    empty = looks.where(looks.group == NOBODY)
    same, other = [], []
    for name in np.unique(empty.family):
        mine = np.flatnonzero(empty.family == name)
        state = memory.blank(empty.features.shape[1])
        for at in mine[:36]:
            state = memory.learn(state, Box(*empty.boxes[at]), empty.features[at])
        same += [memory.novelty(state, empty.features[at]) for at in mine[36:]]
        other += [memory.novelty(state, f) for f in empty.features[empty.family != name][::7]]
    for what, values in (("the same frame", same), ("another place", other)):
        known = np.array([value for value in values if value is not None])
        print(f"real places, a memory of {what}: {len(known)} looks, strange {(known > 0).mean():.3f}")


def fitted(folder: Path, wheels: Path, media: Path | None) -> tuple[float, float]:
    """Slope and turn, from the development kinds, with planes that have not seen what they judge."""
    made = calibrate_model.planes(calibrate_model.material(folder, wheels, media))
    places = []
    for kind in KINDS:
        for noise in NOISES:
            looks = model_looks.site(kind, noise, folder)
            places.append(place(looks, model_presence.unseen(made, looks, calibrate_model.part(looks))))
    report("development scenes, by planes that have not seen them", places)
    return fit(places)


def main() -> None:
    arguments = argparse.ArgumentParser(description="Measure the site memory.")
    arguments.add_argument("--looks", type=Path, required=True)
    arguments.add_argument("--media", type=Path)
    arguments.add_argument("--wheels", type=Path)
    given = arguments.parse_args()
    if given.wheels:
        slope, turn = fitted(given.looks, given.wheels, given.media)
        print(f"log-likelihood ratio = {slope:.2f} * (novelty - {turn:.2f})")
    splits = {
        "test": model_scenes.TEST,
        "fresh": model_scenes.FRESH,
        "last": model_scenes.LAST,
        "new": model_scenes.NEW,
        "held back": model_scenes.HELD_BACK,
    }
    plane = calibrate_model.built_in()
    for split, kinds in splits.items():
        sites = [model_looks.site(kind, noise, given.looks) for kind in kinds for noise in NOISES]
        places = [place(looks, calibrate_model.leanings(plane, looks)) for looks in sites]
        report(f"{split} scenes", places)
        species(f"{split} scenes", places)
        mistakes(f"{split} scenes", sites)
    if given.media:
        real(given.media)


if __name__ == "__main__":
    main()
