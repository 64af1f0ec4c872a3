"""Policies in, values or exact messages out."""

from __future__ import annotations

import pytest

from dooryard.core.errors import ConfigError
from dooryard.policy.parse import parse_policy
from dooryard.policy.schema import Policy
from dooryard.policy.times import Sun, TimeOfDay

SINKS = frozenset({"phone", "post"})
VISITORS = frozenset({"bird", "squirrel", "cat", "house finch", "haemorhous mexicanus"})
GROUP_OF = {"house finch": "bird", "haemorhous mexicanus": "bird"}


def problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_policy(text, "p.toml", sinks=SINKS, visitors=VISITORS, group_of=GROUP_OF)
    assert caught.value.remedy == "fix what is named above, then: dooryard check p.toml"
    return caught.value.what.split("\n")


def warnings(text: str) -> tuple[str, ...]:
    return parse_policy(text, "p.toml", sinks=SINKS, visitors=VISITORS, group_of=GROUP_OF).warnings


def test_an_empty_file_is_the_default_policy():
    parsed = parse_policy("", "p.toml", sinks=SINKS, visitors=VISITORS)
    assert parsed.value == Policy()
    assert parsed.warnings == ()


def test_the_default_policy_tells_of_anybody_to_every_sink():
    policy = Policy()
    assert policy.hours.watch == ()
    assert [(rule.visitor, rule.send_to) for rule in policy.rule] == [(("anything",), ("all",))]


def test_all_is_read():
    text = """
[place]
name = "Alder Row"
latitude = 51
longitude = -1.25
time_zone = "Europe/London"
[hours]
watch = { from = "sunrise-30min", to = "dusk" }
quiet = [{ from = "21:30", to = 07:00:00 }]
[[rule]]
name = "finch"
visitor = "House  Finch"
sure = 1
send_to = "phone"
[summary]
at = "never"
[keeping]
days = 7
"""
    parsed = parse_policy(text, "p.toml", sinks=SINKS, visitors=VISITORS)
    policy = parsed.value
    assert policy.place.latitude == 51.0
    assert policy.hours.watch[0].opens == TimeOfDay(-30, Sun.SUNRISE)
    assert policy.hours.quiet[0].closes == TimeOfDay(420)
    assert policy.rule[0].visitor == ("house finch",)
    assert policy.rule[0].send_to == ("phone",)
    assert policy.summary.at is None
    assert policy.keeping.days == 7
    assert policy.keeping.megabytes == Policy().keeping.megabytes


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('[[rule]]\nname = "x"\nvisitor = "bird"\ncooldwon_min = 3',
         ['p.toml:4: rule[1].cooldwon_min: unknown key (did you mean "cooldown_min"?)']),
        ('[palce]\nname = "x"',
         ['p.toml:1: palce: unknown key (did you mean "place"?)']),
        ("[keeping]\nxyz = 1",
         [("p.toml:2: keeping.xyz: unknown key; take it out, or write one of: days, megabytes, "
           "good_megabytes_a_day, favourites")]),
        ('[[rule]]\nvisitor = "bird"',
         [("p.toml:1: rule[1].name: missing: add it (what the rule is called in reasons and logs; "
          "each name once)")]),
        ('[rule]\nname = "x"\nvisitor = "bird"',
         ["p.toml:1: rule: write [[rule]], in double brackets: there may be several"]),
        ('[[rule]]\nname = "x"\nvisitor = ["bird",\n"squirel"]',
         [('p.toml:4: rule[1].visitor[2]: no visitor is called "squirel" (did you mean "squirrel"?); '
          'write a group (bird, squirrel, cat), a species (haemorhous mexicanus, house finch), '
          '"not sure", "anything" or "something"')]),
        ('[[rule]]\nname = "x"\nvisitor = "bird"\nsend_to = ["fone"]',
         [('p.toml:4: rule[1].send_to[1]: the box has no sink "fone" (did you mean "phone"?); '
          "it has: phone, post")]),
        ('[place]\ntime_zone = "Europe/Lundon"',
         [('p.toml:2: place.time_zone: no time zone is called "Europe/Lundon" (did you mean '
          '"Europe/London"?); write an IANA name such as "Europe/London"')]),
        ('[hours]\nwatch = { from = "sunrise", to = "21:00" }',
         [("p.toml:2: hours.watch.from: sunrise needs to know where: add place.latitude and "
          "place.longitude")]),
        ('[summary]\nat = "sunset+1h"',
         ["p.toml:2: summary.at: sunset needs to know where: add place.latitude and place.longitude"]),
        ('[hours]\nquiet = [\n{ from = "07:00", to = "07:00" },\n]',
         [('p.toml:3: hours.quiet[1]: begins when it ends; for the whole day write from = "00:00", '
          'to = "24:00"')]),
        ('[hours]\nwatch = [{ from = "24:00", to = "00:00" }]',
         [('p.toml:2: hours.watch[1]: begins when it ends; for the whole day write from = "00:00", '
          'to = "24:00"')]),
        ('[keeping]\ndays = "60"',
         ["p.toml:2: keeping.days: must be a whole number, without quotation marks"]),
        ("[keeping]\ndays = 0", ["p.toml:2: keeping.days: must be at least 1"]),
        ("[keeping]\ndays = true",
         ["p.toml:2: keeping.days: must be a whole number, without quotation marks"]),
        ('[[rule]]\nname = "x"\nvisitor = []', ["p.toml:3: rule[1].visitor: is empty; name one at least"]),
        ('[[rule]]\nname = "x"\nvisitor = "bird"\nsure = nan',
         ["p.toml:4: rule[1].sure: must be a finite number"]),
        ('[[rule]]\nname = "x"\nvisitor = "bird"\ncooldown_per = "rul"',
         ['p.toml:4: rule[1].cooldown_per: must be one of "visitor" or "rule" (did you mean "rule"?)']),
        ('[[rule]]\nname = "x"\nvisitor = "bird"\n[[rule]]\nname = "x"\nvisitor = "cat"',
         ['p.toml:5: rule[2].name: "x" is the name of rule[1] too; give another']),
        ('[[rule]]\nname = "a\\nb"\nvisitor = "bird"',
         ["p.toml:2: rule[1].name: must be readable text on one line"]),
        ("rule = 3", ["p.toml:1: rule: must be a list, like [ ... ]"]),
        ("place = 3", ["p.toml:1: place: must be a table of its own"]),
        ("[place]\nlatitude = 91", ["p.toml:2: place.latitude: must be at most 90"]),
    ],
)  # fmt: skip
def test_one_problem(text, expected):
    assert problems(text) == expected


@pytest.mark.parametrize("name", ["Europe", "", "/etc/passwd", "../UTC", "a\\u0000b", "x" * 5000])
def test_no_time_zone(name):
    (found,) = problems(f'[place]\ntime_zone = "{name}"')
    assert found.startswith("p.toml:2: place.time_zone: no time zone is called ")
    assert len(found) < 250


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('a = 1\n[hours]\nquiet = { from = 21:30, to = "07:00" }',
         ['p.toml:3: not valid TOML: times stand in quotation marks: "21:30"']),
        ("[summary]\nat = 21:30",
         ['p.toml:2: not valid TOML: times stand in quotation marks: "21:30"']),
        ("[summary]\nat = sunset",
         ['p.toml:2: not valid TOML: times stand in quotation marks: "sunset"']),
        ("a = 1\na = 2",
         ['p.toml:2: "a" is given twice; keep one of the two']),
        ('a = 1\nb = "never closed',
         ["p.toml:2: not valid TOML: unterminated string; look at this line and the one before it"]),
        ("x = " + "9" * 5000, ["p.toml:1: a number of thousands of digits; write it shorter"]),
        ("x = " + "[" * 5000,
         ["p.toml:1: brackets are nested too deeply; a policy or box file needs two levels"]),
    ],
)  # fmt: skip
def test_not_toml(text, expected):
    found = problems(text)
    # tomllib words some messages differently from one Python to the next; line and remedy are ours.
    assert [line.split(": ")[0] for line in found] == [line.split(": ")[0] for line in expected]
    assert found[0].rsplit("; ", 1)[-1] == expected[0].rsplit("; ", 1)[-1]


def test_all_problems_at_once_in_the_order_of_their_lines():
    found = problems("""
[place]
latitude = "north"
[hours]
watch = { from = "sunrize", to = "sunset" }
[[rule]]
name = "x"
visitor = ["brd"]
sure = 2
foo = 1
[[rule]]
name = "x"
visitor = "bird"
[summary]
send_to = ["nobody"]
""")
    assert [(int(line.split(":")[1]), line.split(": ")[1]) for line in found] == [
        (3, "place.latitude"),
        (5, "hours.watch.from"),
        (5, "hours.watch.to"),
        (8, "rule[1].visitor[1]"),
        (9, "rule[1].sure"),
        (10, "rule[1].foo"),
        (12, "rule[2].name"),
        (15, "summary.send_to[1]"),
    ]


def test_sinks_and_visitors_are_not_checked_when_not_known():
    text = '[[rule]]\nname = "x"\nvisitor = "wren"\nsend_to = "anywhere"'
    assert parse_policy(text, "p.toml").value.rule[0].visitor == ("wren",)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm():
    text = "\ufeff[keeping]\r\ndays = 3\r\nfoo = 1\r\n"
    assert problems(text)[0].startswith("p.toml:3: keeping.foo: unknown key")


NORTH = "[place]\nlatitude = {}\nlongitude = 19\n[hours]\nwatch = {}"


@pytest.mark.parametrize(
    ("latitude", "window", "never"),
    [
        (51, '{ from = "22:00", to = "sunset" }', True),
        (51, '[{ from = "sunrise", to = "sunset" }, { from = "sunrise+6h", to = "noon" }]', None),
        (0, '[\n{ from = "sunset+6h", to = "sunrise-6h" }]', True),  # the night is 11 h 53 min long
        (78, '{ from = "sunset+6h", to = "sunrise-6h" }', False),
        (70, '{ from = "sunrise+6h", to = "sunset-6h" }', False),
        (0, '{ from = "sunrise+6h", to = "sunset-6h" }', False),
        (90, '{ from = "sunrise", to = "sunset" }', False),
    ],
)
def test_windows_that_never_open(latitude, window, never):
    text = NORTH.format(latitude, window)
    if never is False:
        assert parse_policy(text, "p.toml").warnings == ()
        return
    (found,) = problems(text)
    line = 6 if "\n" in window else 5
    said = "never opens at this place, on no day of the year; choose other times"
    assert found.startswith(f"p.toml:{line}: hours.watch")
    assert (said in found) is (never is True)


def test_a_window_of_more_than_a_day_is_a_problem():
    (found,) = problems(NORTH.format(51, '{ from = "00:00", to = "sunset+6h" }'))
    assert "from 00:00 to sunset+360min lasts 25 h 2 min on 30 June" in found
    assert "more than a day; choose an earlier end" in found


@pytest.mark.parametrize(
    ("window", "was"),
    [
        ('{ from = "dusk", to = "sunset+2h" }', "in earlier versions it lasted 25 h "),
        ('{ from = "sunset+2h", to = "dusk" }', "in earlier versions it did not open"),
        ('{ from = "dusk", to = "sunset" }', None),
        ('{ from = "sunset", to = "dawn+1h" }', None),
    ],
)
def test_a_window_that_once_ended_on_another_day_is_warned_of(window, was):
    told = parse_policy(NORTH.format(51, window), "p.toml").warnings
    assert [was in text for text in told] == ([True] if was else [])


RULE = '[[rule]]\nname = "{}"\nvisitor = {}\n'


@pytest.mark.parametrize(
    ("text", "names"),
    [
        (RULE.format("a", '"anything"') + RULE.format("b", '"cat"'), ['"b" can never fire: "a" before it']),
        (RULE.format("a", '"bird"') + RULE.format("b", '"house finch"'), ['"b" can never fire: "a"']),
        (RULE.format("a", '"bird"') + RULE.format("b", '"Haemorhous mexicanus"'), ['"b" can never fire']),
        (RULE.format("a", '"bird"') + RULE.format("b", '"cat"') + RULE.format("c", '["bird", "cat"]'),
         ['"c" can never fire: "a" and "b" before it']),
        (RULE.format("a", '"house finch"') + RULE.format("b", '"bird"'), []),
        (RULE.format("a", '"bird"') + RULE.format("b", '["bird", "cat"]'), []),
        (RULE.format("a", '"bird"') + RULE.format("b", '"not sure"'), []),
        (RULE.format("a", '"bird"') + "sure = 0.9\n" + RULE.format("b", '"bird"'), []),
        (RULE.format("a", '"bird"') + "shortest_stay_s = 9\n" + RULE.format("b", '"bird"'), []),
        (RULE.format("a", '"bird"') + RULE.format("b", '"bird"') + "sure = 0.9\n", ['"b" can never fire']),
    ],
)  # fmt: skip
def test_a_rule_that_can_never_fire_is_a_warning(text, names):
    found = warnings(text)
    assert len(found) == len(names)
    for warning, name in zip(found, names, strict=True):
        assert name in warning
        assert warning.endswith("always takes its visitors; move it up, or take it out")


@pytest.mark.parametrize("summary", ['at = "never"', "send_to = []"])
def test_holds_that_would_never_be_told_are_a_warning(summary):
    text = f'[hours]\nquiet = {{ from = "22:00", to = "06:00" }}\n%s[summary]\n{summary}'
    assert warnings(text % "") == ()  # they are told when quiet ends
    (found,) = warnings(text % 'when_quiet_ends = "summary"\n')
    assert found.startswith("p.toml:2: hours.quiet: what is held in quiet hours is told in the summary")


def heat(sensor="cpu", above=70.0, below=60.0, effect="halt = true"):
    return f'[[heat]]\nsensor = "{sensor}"\nabove_c = {above}\nuntil_below_c = {below}\n{effect}\n'


def cat(hours, place=""):
    return f'{place}[[rule]]\nname = "a"\nvisitor = "cat"\nhours = {hours}\n'


PLACE = "[place]\nlatitude = 51\nlongitude = 0\n"


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (heat(below=69.5), "1: heat[1]: until_below_c must be at least 1 °C below above_c"),
        (heat(effect=""), "1: heat[1]: does nothing; give frames_per_s"),
        (heat("cup"), '2: heat[1].sensor: the box has no sensor "cup" (did you mean "cpu"?)'),
        (heat(above=700), "3: heat[1].above_c: must be at most 125"),
        (
            heat(effect='camera = "of"'),
            '5: heat[1].camera: must be one of "on" or "off" (did you mean "off"?)',
        ),
        (heat() + heat(), "8: heat[2].above_c: heat[1] begins there too"),
        ("[moisture]\nmargin_c = 3\nclear_c = 3", "1: moisture: clear_c must be at least 0.5 above"),
        ("[messages]\nheet = []", '2: messages.heet: unknown key (did you mean "heat"?)'),
        ('[messages]\nheat = "bell"', '2: messages.heat: the box has no sink "bell"'),
        (cat('{ from = "dawn", to = "12:00" }'), "4: rule[1].hours.from: dawn needs to know where"),
        (
            cat('[{ from = "11:00", to = "sunrise" }]', PLACE),
            "7: rule[1].hours[1]: from 11:00 to sunrise never",
        ),
        (cat('{ from = "11:00", to = "sunrise" }', PLACE), "7: rule[1].hours: from 11:00 to sunrise never"),
    ],
)
def test_problems_of_the_boxs_own_tables(text, found):
    with pytest.raises(ConfigError) as caught:
        parse_policy(text, "p.toml", sinks=SINKS, visitors=VISITORS, sensors=frozenset({"cpu", "enclosure"}))
    assert f"p.toml:{found}" in caught.value.what


def test_a_rule_with_hours_of_its_own_leaves_the_rest_of_the_day_to_the_next():
    at_eight = cat('{ from = "08:00", to = "09:00" }')
    assert warnings(at_eight + RULE.format("b", '"cat"')) == ()
    assert len(warnings(at_eight + at_eight.replace('"a"', '"b"'))) == 1


DAYS = '[hours]\nwatch = {{ from = "08:00", to = "18:00", days = {} }}'


@pytest.mark.parametrize(
    ("days", "text"),
    [
        ('["Sat", "saturday"]',
         '[2]: no day is called "saturday" (did you mean "Sat"?); write Mon, Tue, Wed, Thu, Fri, Sat, Sun'),
        ('"Frl"',
         ': no day is called "Frl" (did you mean "Fri"?); write Mon, Tue, Wed, Thu, Fri, Sat, Sun'),
        ('"weekend"', ': no day is called "weekend"; write Mon, Tue, Wed, Thu, Fri, Sat, Sun'),
        ('["Sat", "Sun", "Sat"]', ": names Sat twice; take one out"),
        ("[]", ": is empty; name one at least"),
        ("[6, 7]", '[1]: must be text in quotation marks, like "this"'),
    ],
)  # fmt: skip
def test_days_that_are_none(days, text):
    assert problems(DAYS.format(days))[0] == f"p.toml:2: hours.watch.days{text}"


def test_days_are_kept_in_the_order_of_the_week():
    window = parse_policy(DAYS.format('["Sun", "Tue"]'), "p.toml").value.hours.watch[0]
    assert window.days == ("Tue", "Sun")
    assert parse_policy(DAYS.format('"Sat"'), "p.toml").value.hours.watch[0].days == ("Sat",)


TWICE = (
    '[[rule]]\nname = "a"\nvisitor = "bird"\nhours = {{ from = "10:00", to = "16:00", days = {} }}\n'
    '[[rule]]\nname = "b"\nvisitor = "bird"\nhours = {{ from = "10:00", to = "{}", days = {} }}\n'
)


@pytest.mark.parametrize(
    ("first", "until", "second", "never"),
    [
        ('["Sat", "Sun"]', "16:00", '["Sun"]', True),
        ('["Sat", "Sun"]', "16:00", '["Fri", "Sun"]', False),
        ('["Sat"]', "16:00", '["Sun"]', False),
        ('["Sat", "Sun"]', "15:00", '["Sun"]', False),  # not found, as times are not compared
    ],
)
def test_a_rule_behind_one_with_the_same_times_on_its_days(first, until, second, never):
    found = warnings(TWICE.format(first, until, second))
    assert any('"b" can never fire' in warning for warning in found) is never


WATCHED = (
    "[place]\nlatitude = 51.752\nlongitude = -1.258\n"
    '[hours]\nwatch = {{ from = "{}", to = "{}", days = ["Sat", "Sun"] }}\n'
    '[[rule]]\nname = "x"\nvisitor = "cat"\nhours = {{ from = "{}", to = "{}", days = {} }}\n'
)


@pytest.mark.parametrize(
    ("watch", "rule", "days", "never"),
    [
        (("08:00", "18:00"), ("10:00", "12:00"), '["Mon", "Fri"]', True),
        (("08:00", "18:00"), ("10:00", "12:00"), '["Fri", "Sat"]', False),
        (("08:00", "18:00"), ("22:00", "09:00"), '["Fri"]', False),  # until Saturday morning
        (("20:00", "06:00"), ("01:00", "02:00"), '["Mon"]', False),  # Sunday's watch
        (("sunrise", "sunset"), ("22:00", "03:00"), '["Sat", "Sun"]', True),
        (("sunrise", "sunset"), ("20:00", "23:00"), '["Sat"]', False),  # in summer
    ],
)
def test_a_rule_whose_hours_the_camera_never_watches_is_a_warning(watch, rule, days, never):
    found = warnings(WATCHED.format(*watch, *rule, days))
    said = (
        'p.toml:9: rule[1].hours: "x" can never fire: the camera never watches in its hours; '
        "choose other times or days here, or in hours.watch"
    )
    assert found == ((said,) if never else ())


HEAT = '[[heat]]\nsensor = "{}"\nabove_c = 70\nuntil_below_c = 60\ncamera = "off"\n'


def test_sensors_that_the_box_lacks():
    text = HEAT.format("enclosur") + '[moisture]\nhumidity = "humidity"\nsurfaces = ["cpu", "windw"]\n'
    with pytest.raises(ConfigError) as caught:
        parse_policy(text, "p.toml", sensors=frozenset({"cpu", "enclosure", "humidity", "window"}))
    has = (
        "it has: cpu, enclosure, humidity, window; "
        "add a [[sensor]] with that name to the box file, or take this out"
    )
    assert caught.value.what.split("\n") == [
        f'p.toml:2: heat[1].sensor: the box has no sensor "enclosur" (did you mean "enclosure"?); {has}',
        f'p.toml:8: moisture.surfaces[2]: the box has no sensor "windw" (did you mean "window"?); {has}',
    ]


def test_the_default_sensor_of_the_air_must_be_there_too():
    text = '[moisture]\nhumidity = "humid"\n'
    with pytest.raises(
        ConfigError, match=r'p\.toml:1: moisture: the box has no sensor "enclosure"; add the key'
    ):
        parse_policy(text, "p.toml", sensors=frozenset({"humid", "air"}))
    assert parse_policy(text, "p.toml").value.moisture.air == "enclosure"
    assert parse_policy(text + 'air = "air"', "p.toml", sensors=frozenset({"humid", "air"})).warnings == ()


def test_of_many_species_it_is_said_where_they_are_listed():
    species = {f"finch {n:02d}" for n in range(30)}
    with pytest.raises(ConfigError) as caught:
        parse_policy(
            '[[rule]]\nname = "x"\nvisitor = "yeti"', "p.toml", visitors=frozenset({"bird", *species})
        )
    wanted = 'a group (bird), a species (`dooryard birds` lists those of the place), "not sure", "anything"'
    assert wanted in caught.value.what
    assert "finch" not in caught.value.what


def test_a_box_file_in_the_place_of_a_policy():
    with pytest.raises(ConfigError) as caught:
        parse_policy('name = "Alder Row box"\nfoo = 1\n[camera]\nkind = "scene"\n', "b.toml")
    assert caught.value.what == "b.toml: this looks like a box file; a policy is wanted here"
    assert caught.value.remedy == "give a policy"
    with pytest.raises(ConfigError) as caught:
        parse_policy('[camera]\nkind = "scene"\n[keeping]\ndays = 3\n', "b.toml")
    assert "camera: unknown key" in caught.value.what  # a policy with a stray table
