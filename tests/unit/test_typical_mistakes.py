"""What people really type: each message names the line, what is wrong in their words, and the right form."""

from __future__ import annotations

import io

import pytest

from dooryard.cli.check import check
from dooryard.service import build

RULE = '[[rule]]\nname = "a"\nvisitor = "bird"\n'
SINK = 'name = "b"\n[[sink]]\nkind = "webhook"\nname = "phone"\nurl = "https://hooks.alder-row.test/x"\n'
MISTAKES = {  # text -> the line, and words of the right form
    '[rule]\nname = "a"\nvisitor = "bird"\n': (1, "write [[rule]]"),
    '[place]\nname = "a"\nname = "b"\n': (3, '"name" is given twice; keep one'),
    "[place]\nname = \u201cAlder Row\u201d\n": (2, "straight ones"),
    "[place]\nname = \u2018Alder Row\u2019\n": (2, "straight ones"),
    f"{RULE}sure = 0,7\n": (4, "a decimal has a point: 0.7"),
    "[hours]\nwatch = { from = 06:00, to = 20:00 }\n": (2, 'quotation marks: "06:00"'),
    "[summary]\nat = 20:00\n": (2, 'quotation marks: "20:00"'),
    "[summary]\nat = sunset+1h\n": (2, 'quotation marks: "sunset+1h"'),
    f"{RULE}sure = 60\n": (4, "60 % is 0.6"),
    f"{RULE}urgent = True\n": (4, "true or false, in small letters"),
    f"{RULE}urgent = yes\n": (4, "true or false, in small letters"),
    '[[heat]]\nsensor = "cpu"\nabove_c = 140\nuntil_below_c = 60\ncamera = "off"\n': (3, "140 °F is 60 °C"),
    '[place]\ntime_zone = "GMT+1"\n': (2, '"Etc/GMT-1"'),
    '[place]\ntime_zone = "UTC-5"\n': (2, '"Etc/GMT+5"'),
    '[place]\ntime_zone = "Europe/Lodnon"\n': (2, '"Europe/London"'),
    f"{RULE}cooldown_s = 60\n": (4, 'did you mean "cooldown_min"'),
    f"{RULE}shortest_stay_min = 1\n": (4, 'did you mean "shortest_stay_s"'),
    '[[rule]]\nname = "a"\nvisitor = "squirel"\n': (3, 'did you mean "squirrel"'),
    '[[rule]]\nname = "a"\nvisitor = "old tom"\n': (3, "taught by `dooryard teach`"),
    SINK.replace("webhook", "webhok"): (3, 'sink[1].kind: must be one of "webhook"'),
    f'{SINK}body = "json"\ntemplate = "$titel"\n': (2, 'did you mean "$title"'),
    '[camera]\nkind = "folder"\nfolder = "nowhere"\n': (3, "there is no folder"),
    '[place]\nlatitude = -1.258\nlongitude = 51.752\ntime_zone = "Europe/London"\n': (1, "look swapped"),
    SINK.replace("https", "http"): (5, "goes unencrypted"),
}


@pytest.mark.parametrize("text", MISTAKES)
def test_the_message_has_the_line_and_the_right_form(tmp_path, text):
    line, words = MISTAKES[text]
    path = tmp_path / "mine.toml"
    path.write_text(text, encoding="utf-8")
    out = io.StringIO()
    check([path], out, visitors_of=build.visitors)
    told = out.getvalue().splitlines()[0]
    assert told.startswith(f"{path}:{line}: "), told
    assert words in told
