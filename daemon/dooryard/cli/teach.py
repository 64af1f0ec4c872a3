"""`dooryard teach`: pictures by name into the album, what is taught so far, and taking it back. Edge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TextIO

import numpy as np

from dooryard.classify import taught
from dooryard.classify.labels import GROUPS
from dooryard.classify.taught import Taught
from dooryard.core.errors import EXIT_OK, ConfigError
from dooryard.core.wording import percent
from dooryard.policy.fields import ANYTHING, NOT_SURE, plain_name
from dooryard.teaching import album
from dooryard.teaching.album import Example
from dooryard.teaching.feedback import Trainable, teach_from_album

FEW = 3  # pictures of a name; with fewer it is told seldom or wrongly
_NO_NAMES = frozenset({ANYTHING, NOT_SURE, "nobody", *GROUPS})


def add(
    state_folder: Path, pictures: Path, group_of: Mapping[str, str], group: str | None, out: TextIO
) -> None:
    """Copy ``pictures/NAME/*`` into the album, all or none.

    `group` is that of names that nobody knows yet. Raises ConfigError for a folder without names, a name
    that will not do or whose group is not known, or a picture that cannot be read; StoreError for a disk.
    """
    found = [
        (path, _example(path, group_of, group))
        for name in _folders(pictures)
        for path in sorted(name.iterdir())
        if path.suffix.lower() in album.SUFFIXES
    ]
    if not found:
        raise ConfigError(
            f"{pictures}: there are no pictures in folders of names",
            f"make a folder for each name, such as {pictures / 'wren'}, with its pictures (JPEG, PNG) in it",
        )
    read = [(example, album.pixels(path)) for path, example in found]  # all, before the first is added
    for example, picture in read:
        album.add(state_folder, example, picture)
    print(f"{len(read)} pictures of {len({example.name for example, _ in read})} names added", file=out)


def forget(state_folder: Path, what: str, out: TextIO) -> None:
    """Take a name's pictures, or one picture, out of the album. Raises ConfigError when there are none."""
    name = plain_name(what)
    gone = [each for each in album.examples(state_folder) if what == each.picture or name == each.name]
    if not gone:
        raise ConfigError(f'nothing is taught as "{what}"', "see the list that `dooryard teach` prints")
    for example in gone:
        away = album.take_back(state_folder, example.picture)
    print(f"{len(gone)} pictures taken back; they lie in {away.parent}", file=out)


def show(state_folder: Path, trainable: Trainable, out: TextIO) -> int:
    """Teach `trainable` all that is in the album, and say how well it went. Returns an exit code."""
    if not trainable.teaching_features:
        raise ConfigError(
            f"the model {trainable.card.name} gives no features, so it cannot be taught",
            "use the built-in model, or a card with features under [outputs]",
        )
    teach_from_album(state_folder, trainable)
    if trainable.taught is None:
        print(
            "nothing is taught yet: give a folder of pictures, or mark a visit with a name"
            " (a box that runs takes that in within a minute)",
            file=out,
        )
        return EXIT_OK
    print("\n".join(_table(trainable.taught)), file=out)
    for doubt in taught.doubts(trainable.taught):
        like = f"more like {doubt.looks_like}" if doubt.looks_like else "not much like the others"
        print(f"in doubt: {_path(doubt.picture)} is {like}", file=out)
    print(f"album: {state_folder / album.FOLDER} (a box that runs takes it up within a minute)", file=out)
    return EXIT_OK


def _table(known: Taught) -> list[str]:
    width = max(len("name"), *(len(name) for name in known.names))
    lines = [f"{'name':<{width}}  {'group':<8}  pictures  told from the others"]
    for name in known.names:
        at = [i for i, mark in enumerate(known.marks) if mark.name == name]
        scores = known.scores[at]
        again = "" if len(at) == 1 else percent(float(np.mean(scores >= known.threshold)))
        few = f"  few: {FEW} or more are better" if len(at) < FEW else ""
        lines.append(
            f"{name:<{width}}  {known.marks[at[0]].group:<8}  {len(at):>8}  {again:>19}{few}".rstrip()
        )
    return lines


def _example(path: Path, group_of: Mapping[str, str], group: str | None) -> Example:
    name = plain_name(path.parent.name)
    if name in _NO_NAMES:
        raise ConfigError(
            f'{path.parent}: "{name}" is not a name to teach', "name the folder after one visitor"
        )
    whose = group_of.get(name) or group
    if whose is None:
        raise ConfigError(
            f'{path.parent}: it is not known yet what kind of visitor a "{name}" is',
            f"say it with --group, one of {', '.join(GROUPS)}",
        )
    return album.example(whose, name, f"{path.stem}.jpg")


def _folders(pictures: Path) -> Sequence[Path]:
    try:
        return sorted(path for path in pictures.iterdir() if path.is_dir())
    except OSError as error:
        raise ConfigError(f"{pictures}: {error.strerror}", "name a folder that this user may read") from error


def _path(stamp: str) -> str:
    return stamp.rsplit(" ", 1)[0]
