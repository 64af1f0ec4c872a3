"""Where a place is, from the name of a town or from its coordinates, without a network. Reads one table.

The table has the towns of 5000 inhabitants or more; its notice lies beside it (towns-NOTICE.txt).
"""

from __future__ import annotations

import csv
import gzip
import io
import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from dooryard.config.toml_document import did_you_mean

COLUMNS = ("name", "country", "code", "region", "latitude", "longitude", "zone", "other_names")
_LARGER = 10_000  # towns among which a misspelt name is looked for: all of them would take seconds
EARTH_KM = 6371.0  # mean radius (IUGG)
_LETTERS = str.maketrans({"ß": "ss", "æ": "ae", "œ": "oe", "ø": "o", "ł": "l", "đ": "d", "ð": "d", "þ": "th",
                          "ı": "i", "ħ": "h"})  # fmt: skip
# ISO 6709 puts north and east as letters behind or signs before; a comma or blanks between.
_DEGREES = r"([+-]?\d{1,3}(?:\.\d+)?)\s*°?\s*"
_POSITION = re.compile(rf"{_DEGREES}([NS]?)\s*[,; ]\s*{_DEGREES}([EW]?)", re.IGNORECASE)
_SHORT_NAMES = {"uk": "gb", "england": "gb", "scotland": "gb", "wales": "gb", "usa": "us", "america": "us"}


@dataclass(frozen=True, slots=True)
class Town:
    """A town: degrees north and east, the IANA name of its time zone."""

    name: str
    country: str
    code: str  # of the country, ISO 3166-1
    region: str  # a code of the country's own; a state's letters in the United States
    latitude: float
    longitude: float
    zone: str
    other_names: str  # folded, parted by |

    @property
    def text(self) -> str:
        region = f"{self.region}, " if self.region.isalpha() and self.code in {"US", "CA", "AU"} else ""
        return f"{self.name}, {region}{self.country}"


def folded(name: str) -> str:
    """`name` as it is compared: small letters without accents, words parted by one blank."""
    plain = unicodedata.normalize("NFKD", name.casefold().translate(_LETTERS))
    letters = "".join(letter for letter in plain if not unicodedata.combining(letter))
    return " ".join(re.sub(r"[^\w]+", " ", letters.replace("'", "")).split())


@cache
def towns() -> Sequence[Town]:
    """Every town, the largest first."""
    packed = files("dooryard.setup").joinpath("towns.csv.gz").read_bytes()
    rows = csv.reader(
        io.StringIO(gzip.decompress(packed).decode()), delimiter="\t", quoting=csv.QUOTE_NONE, quotechar=None
    )
    next(rows)
    return [
        Town(name, country, code, region, float(latitude), float(longitude), zone, others)
        for name, country, code, region, latitude, longitude, zone, others in rows
    ]


def found(text: str) -> list[Town]:
    """Towns of that name, the largest first: "oxford", "Sao Paulo", "Oxford, GB", "Springfield, IL, US".

    Those that bear it as their first name go before those that are called so elsewhere too; where none has
    it, those whose name begins with it.
    """
    name, *where = (folded(part) for part in text.split(","))
    if not name:
        return []
    there = [town for town in towns() if all(_is_in(town, part) for part in where if part)]
    exact = [town for town in there if folded(town.name) == name]
    others = [town for town in there if f"|{name}|" in f"|{town.other_names}|" and folded(town.name) != name]
    if exact or others:
        return exact + others
    return [town for town in there if folded(town.name).startswith(name)] if len(name) >= 3 else []


def near_names(text: str) -> str:
    """' (did you mean "Oxford"?)', or nothing where no larger town has a name like that."""
    return did_you_mean(text.partition(",")[0].strip(), {town.name for town in towns()[:_LARGER]})


def _is_in(town: Town, part: str) -> bool:
    return _SHORT_NAMES.get(part, part) in (town.code.lower(), folded(town.country), town.region.lower())


def position(text: str) -> tuple[float, float] | None:
    """Degrees north and east in "51.752, -1.258" or "33.9 S 18.4 E"; None where `text` is no position.

    Raises ValueError for one that is not on the globe.
    """
    match = _POSITION.fullmatch(text.strip())
    if match is None:
        return None
    latitude = float(match[1]) * (-1 if match[2].upper() == "S" else 1)
    longitude = float(match[3]) * (-1 if match[4].upper() == "W" else 1)
    if abs(latitude) > 90 or abs(longitude) > 180:
        raise ValueError(
            f"{text.strip()} is not on the globe; write degrees north first (-90 to 90), then degrees east"
            " (-180 to 180)"
        )
    return latitude, longitude


def nearest(latitude: float, longitude: float) -> tuple[Town, float]:
    """The town nearest to a position, and how far it is (km)."""
    town = min(towns(), key=lambda each: _distance_km(each, latitude, longitude))
    return town, _distance_km(town, latitude, longitude)


def _distance_km(town: Town, latitude: float, longitude: float) -> float:
    """Along the great circle, by the haversine."""
    a, b = math.radians(town.latitude), math.radians(latitude)
    half = math.radians(town.longitude - longitude) / 2
    h = math.sin((a - b) / 2) ** 2 + math.cos(a) * math.cos(b) * math.sin(half) ** 2
    return 2 * EARTH_KM * math.asin(math.sqrt(min(1.0, h)))
