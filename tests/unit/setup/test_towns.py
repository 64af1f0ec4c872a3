"""Places by name and by position. Where the towns are: from an atlas, from memory, to half a degree."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from dooryard.setup import towns


@pytest.mark.parametrize(
    ("text", "found", "zone"),
    [
        ("oxford, gb", "Oxford, United Kingdom", "Europe/London"),
        ("Oxford, UK", "Oxford, United Kingdom", "Europe/London"),
        ("Sao Paulo", "São Paulo, Brazil", "America/Sao_Paulo"),
        ("SÃO PAULO", "São Paulo, Brazil", "America/Sao_Paulo"),
        ("koln", "Köln, Germany", "Europe/Berlin"),
        ("Muenchen", "Munich, Germany", "Europe/Berlin"),
        ("Lodz", "Łódź, Poland", "Europe/Warsaw"),
        ("springfield, il", "Springfield, IL, United States", "America/Chicago"),
        ("  Saint Etienne ", "Saint-Étienne, France", "Europe/Paris"),
    ],
)
def test_a_name_is_matched_forgivingly(text, found, zone):
    first, *_ = towns.found(text)
    assert (first.text, first.zone) == (found, zone)


def test_several_of_a_name_come_with_the_largest_first():
    texts = [town.text for town in towns.found("oxford")]
    assert texts[0] == "Oxford, United Kingdom"
    assert "Oxford, OH, United States" in texts


def test_the_beginning_of_a_name_will_do_where_nobody_has_it_whole():
    assert towns.found("Stratford upo")[0].text == "Stratford-upon-Avon, United Kingdom"
    assert towns.found("Xy") == []


def test_a_misspelt_name_has_a_suggestion():
    assert towns.found("Oxfrod") == []
    assert towns.near_names("Oxfrod") == ' (did you mean "Oxford"?)'


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("51.752, -1.258", (51.752, -1.258)),
        ("51.752 -1.258", (51.752, -1.258)),
        ("33.9 S 18.4 E", (-33.9, 18.4)),
        ("33.9°S, 18.4°e", (-33.9, 18.4)),
        ("51.75N,1.26W", (51.75, -1.26)),
        ("Oxford", None),
        ("51.752", None),
    ],
)
def test_a_position_is_read_as_people_write_it(text, degrees):
    assert towns.position(text) == degrees


def test_a_position_that_is_not_on_the_globe_is_refused():
    with pytest.raises(ValueError, match="degrees north first"):
        towns.position("151.2, -33.9")


def test_the_nearest_town_and_how_far_it_is():
    town, away_km = towns.nearest(51.76, -1.21)  # a village east of Oxford
    assert town.zone == "Europe/London"
    assert away_km < 5
    # A degree of the meridian has 111.2 km (2 pi 6371 km / 360).
    quito, far_km = towns.nearest(-0.22, -78.51)
    assert (quito.code, far_km < 5) == ("EC", True)
    assert towns._distance_km(quito, quito.latitude + 1, quito.longitude) == pytest.approx(111.2, abs=0.1)


def test_over_the_date_line_the_near_side_counts():
    town, away_km = towns.nearest(-16.8, -179.97)
    assert (town.code, away_km < 250) == ("FJ", True)


def test_every_town_is_on_the_globe_and_its_zone_exists():
    assert len(towns.towns()) > 60_000
    for zone in {town.zone for town in towns.towns()}:
        ZoneInfo(zone)
    assert all(abs(town.latitude) <= 90 and abs(town.longitude) <= 180 for town in towns.towns())
