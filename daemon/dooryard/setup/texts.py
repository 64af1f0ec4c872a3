"""The two files that `dooryard setup` writes, with comments for whoever edits them later. Pure."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping

from dooryard.policy.fields import ANYTHING
from dooryard.setup.answers import (
    MAIL_PASSWORD,
    PAGES,
    PHONE,
    POST,
    PUSH_TOKEN,
    Answers,
    CameraChoice,
    Mail,
    PushAddress,
    Shape,
)

Reference = Callable[[str], str]  # a secret's name -> where it is, as the box file writes it

_SHAPES: dict[Shape, str] = {
    "picture": """\
# One request: the picture is its body, the words are in headers. Without a picture the words are the body.
body = "picture"
headers = { Title = "$title", Message = "$text" }
""",
    "text": """\
# One request: the words are its body; no picture.
body = "text"
template = "$text"
headers = { Title = "$title" }
""",
    "json": """\
# One request: fields in JSON, the picture among them in base64.
body = "json"
template = '''
{"title": "$title", "message": "$text", "time": "$time", "urgent": $urgent,
 "picture_name": "$picture_name", "picture": "$picture_base64"}
'''
""",
    "form": """\
# One request: a form with the words as fields and the picture as a file.
body = "multipart"
fields = { title = "$title", message = "$text" }
picture_field = "picture"
""",
    "event": """\
# One request: a CloudEvents JSON event, for programs.
body = "event"
""",
}

_BOX_HEAD = """\
# What this box is made of. Made by `dooryard setup`, and yours to change: `dooryard check` it afterwards.
# All keys: systemd/README.md. Paths without a "/" in front begin at this file's folder.
"""
_GATE = """\
# What sways and is nobody can be passed over; `dooryard gate-report` says what that costs.
[gate]
smallest = 0.04   # the smallest visitor's longer side, as a part of the picture's width
# ignore = [[[0.0, 0.0], [0.2, 0.0], [0.2, 0.3], [0.0, 0.3]]]
"""
_NO_WAY_OUT = """\
# Nobody is told yet: what comes goes into the journal only. For a way out add a [[sink]] table, or run
# `dooryard setup` again.
"""
_POLICY_HEAD = """\
# What you want to be told, and when. Made by `dooryard setup`, and yours to change: `dooryard check` it
# afterwards. All keys: policies/README.md. `dooryard hours` shows what times come to.
"""
_RULES_HEAD = """\
# Rules are tried in order; the first that takes a visit decides on it.
"""
_POLICY_END = """\
[summary]
at = "20:00"          # one message a day on what came, or "never"

[keeping]
days = 60             # then visits and their pictures go, the oldest first
megabytes = 2000      # the most room that pictures take
"""


def box_text(answers: Answers, state_folder: str, reference: Reference) -> str:
    """The box file. Secrets stand in it only as `reference` names them."""
    name, state = _quoted(_box_name(answers.name)), _quoted(state_folder)
    parts = [_BOX_HEAD, f"name = {name}\nstate_folder = {state}\n", _camera(answers.camera), _GATE]
    if answers.push:
        parts.append(_push(answers.push, reference))
    if answers.mail:
        parts.append(_mail(answers.mail, reference))
    if answers.pages:
        parts.append(
            "# The journal's pages are brought there after they have changed.\n"
            f'[[sink]]\nkind = "publish"\nname = "{PAGES}"\nfolder = {_quoted(answers.pages)}\n'
        )
    if not (answers.push or answers.mail):
        parts.append(_NO_WAY_OUT)
    return "\n".join(parts)


def policy_text(answers: Answers, group_of: Mapping[str, str]) -> str:
    """The policy: a rule for each of those to be told of. `group_of`: name -> group of each visitor."""
    return "\n".join(
        (_POLICY_HEAD, _place(answers), _hours(answers), _RULES_HEAD, *_rules(answers, group_of), _POLICY_END)
    )


def _box_name(place: str) -> str:
    return f"{place[:76]} box"  # a name has 80 characters at most


def _camera(camera: CameraChoice) -> str:
    about = {
        "picamera": "# The board's own camera. Keys such as upside_down, region and focus_m can be added.\n",
        "scene": "# The simulated garden, to try things out: it runs through one afternoon and ends.\n",
        "folder": "# A recording, to try things out: it is run through once, with its own times.\n",
    }[camera.kind]
    text = f'{about}[camera]\nkind = "{camera.kind}"\n'
    return text + (f"folder = {_quoted(camera.folder)}\n" if camera.folder else "")


def _push(push: PushAddress, reference: Reference) -> str:
    text = f'[[sink]]\nkind = "webhook"\nname = "{PHONE}"\nurl = {_quoted(push.url)}\n{_SHAPES[push.shape]}'
    if push.token:
        text += f"bearer = {_quoted(reference(PUSH_TOKEN))}   # where the token is\n"
    return text


def _mail(mail: Mail, reference: Reference) -> str:
    port = f"port = {mail.port}\n" if mail.port else ""
    text = (
        f'[[sink]]\nkind = "email"\nname = "{POST}"\nhost = {_quoted(mail.host)}\n{port}'
        f'security = "{mail.security}"\nfrom = {_quoted(mail.sender)}\nto = {_quoted(mail.to)}\n'
    )
    if mail.user:
        text += f"user = {_quoted(mail.user)}\n"
        text += f"password = {_quoted(reference(MAIL_PASSWORD))}   # where the password is\n"
    return text


def _place(answers: Answers) -> str:
    text = f"[place]\nname = {_quoted(answers.name)}\n"
    if answers.where:
        text += f"latitude = {answers.where.latitude:g}    # {answers.where.text}\n"
        text += f"longitude = {answers.where.longitude:g}\n"
    return text + f"time_zone = {_quoted(answers.time_zone)}\n"


def _hours(answers: Answers) -> str:
    by_the_sun = 'watch = { from = "sunrise-30min", to = "sunset+20min" }'
    if answers.where and answers.camera.kind == "picamera":
        watch = f"{by_the_sun}   # the camera is on by daylight\n"
    else:
        watch = f"# {by_the_sun}   # left out: the camera is always on\n"
    if answers.quiet is None:
        return (
            f'[hours]\n{watch}# quiet = {{ from = "22:00", to = "07:00" }}   # left out: alerts never wait\n'
        )
    since, until = answers.quiet
    return (
        f"[hours]\n{watch}"
        f"quiet = {{ from = {_quoted(since)}, to = {_quoted(until)} }}   # alerts wait for its end\n"
        'when_quiet_ends = "send"   # or "summary": only the summary tells of them\n'
    )


def _rules(answers: Answers, group_of: Mapping[str, str]) -> Iterator[str]:
    told = [PHONE] if answers.push else []
    told += [POST] if answers.mail else []
    for name in sorted(answers.tell, key=lambda each: _breadth(each, group_of)):
        yield (
            f"[[rule]]\nname = {_quoted(name)}\nvisitor = [{_quoted(name)}]\n"
            "sure = 0.6            # how certain it must be, 0 to 1\n"
            "cooldown_min = 10     # minutes until the next alert of the same visitor\n"
            "at_most_per_day = 20\n" + (f"send_to = {json.dumps(told)}\n" if told else "")
        )


def _breadth(name: str, group_of: Mapping[str, str]) -> int:
    """A species goes before its group, and that before anybody: the first rule that fits decides."""
    if name == ANYTHING:
        return 2
    return 1 if group_of.get(name, name) == name else 0


def _quoted(text: str) -> str:
    """A TOML string. TOML 1.0: a basic string is escaped as in JSON, and DEL must be, too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
