"""`dooryard birds`: which birds may be told by name at a place. Edge: reads cards, prints."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

from dooryard.core.errors import EXIT_OK

if TYPE_CHECKING:
    from dooryard.classify.labels import Label
    from dooryard.policy.schema import Place


def add(commands: Any) -> None:
    """Add the command to `commands`, what `ArgumentParser.add_subparsers` returned."""
    birds = commands.add_parser("birds", help="list the birds that may be told by name at your place")
    birds.add_argument("--policy", type=Path, metavar="FILE", help="whose [place] it is")
    birds.add_argument("--box", type=Path, metavar="FILE", help="where it names a species model of its own")
    birds.add_argument(
        "--all", action="store_true", help="every bird that the model knows, wherever it lives"
    )
    birds.set_defaults(command=_birds)


def _birds(arguments: argparse.Namespace) -> int:
    from dooryard.box.file import BoxFile, parse_box
    from dooryard.core.errors import ConfigError
    from dooryard.core.text_files import read_text
    from dooryard.policy.parse import parse_policy
    from dooryard.policy.schema import Place
    from dooryard.service import build
    from dooryard.service.known_visitors import card_of, labels_of

    if arguments.policy is None and not arguments.all:
        raise ConfigError("which place?", "name a policy with --policy FILE, or ask for --all")
    box, base = BoxFile(), Path()
    if arguments.box is not None:
        box, base = (
            parse_box(read_text(arguments.box), str(arguments.box)).value,
            arguments.box.resolve().parent,
        )
    place = Place()
    if arguments.policy is not None:
        place = parse_policy(read_text(arguments.policy), str(arguments.policy)).value.place
    card = build.species_card(box, base, None if arguments.all else place)
    if card is None:
        print(_NO_MODEL, file=sys.stdout)
        return EXIT_OK
    labels = labels_of(card)
    if arguments.all:
        _print_all(labels, sys.stdout)
    else:
        print_birds(labels, place, sys.stdout)
    print(card_of(card).limits, file=sys.stdout)
    return EXIT_OK


_NO_MODEL = (
    "No bird is told by name: give [place] latitude and longitude in the policy, or birds; and see that the "
    'box file does not say classifier.species_card = "none".'
)


def _print_all(labels: Iterable[Label], out: TextIO) -> None:
    known = {label.scientific: label.name for label in labels if label.trusted and label.scientific}
    for scientific, name in sorted(known.items(), key=lambda item: item[1]):
        print(_line(name, scientific), file=out)
    print(f"\n{len(known)} birds are known to the model.", file=out)


def print_birds(labels: Iterable[Label], place: Place, out: TextIO) -> None:
    """Print the birds among `labels` that may be told at `place`, and what of its list is not known."""
    from dooryard.classify.garden_birds import called
    from dooryard.classify.regions import of_place, regions_of
    from dooryard.classify.species import may_be_told

    region = of_place(place.birds, place.latitude, place.longitude)
    known = {label.scientific: label.name for label in labels if label.trusted and label.scientific}
    told = {latin: name for latin, name in known.items() if may_be_told(latin, region)}
    for latin, name in sorted(told.items(), key=lambda item: item[1]):
        print(_line(name, latin), file=out)
    by = " and ".join(regions_of(place.latitude, place.longitude)) or "anywhere"
    which = f"by place.birds: {', '.join(place.birds)}" if place.birds else f"by latitude and longitude: {by}"
    print(f"\n{len(told)} birds may be told by name at {place.name} ({which}).", file=out)
    same = {each for latin in known for bird in called(latin) for each in bird.scientific}
    strange = sorted({_first(latin) for latin in (region or frozenset()) - set(known) - same})
    if strange:
        print(f"Listed, but not known to the model: {', '.join(strange)}.", file=out)
    print(_CHANGE, file=out)


_CHANGE = 'To add or strike out: birds = ["here", "painted bunting", "not purple finch"] under [place].'


def _first(latin: str) -> str:
    from dooryard.classify.garden_birds import called

    found = called(latin)
    return f"{found[0].names[0]} ({found[0].scientific[0]})" if found else latin


def _line(name: str, scientific: str) -> str:
    from dooryard.classify.garden_birds import other_names

    others = other_names(scientific)
    also = f"; also {', '.join(others)}" if others else ""
    return f"{name} ({scientific}{also})"
