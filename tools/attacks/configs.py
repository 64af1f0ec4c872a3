"""Configurations that can never work, or were surely not meant, given to `dooryard check`."""

from __future__ import annotations

import io
from pathlib import Path

from attacks.outcome import Outcome
from dooryard.cli.check import check

BOX = """
name = "Alder Row box"
state_folder = "state"
[camera]
kind = "fake"
"""
PICAMERA = '[camera]\nkind = "picamera"\n'
SINK = '[[sink]]\nkind = "memory"\nname = "phone"\n'
AIR = '[[sensor]]\nname = "air"\nkind = "sht3x"\n'
PLACE = '[place]\nlatitude = 51.752\nlongitude = -1.258\ntime_zone = "Europe/London"\n'
RULE = '[[rule]]\nname = "any"\nvisitor = "anything"\n'

PROBLEMS = {
    "a region from right to left": (PICAMERA + "region = [0.8, 0.1, 0.2, 0.9]", "camera.region"),
    "an empty region": (PICAMERA + "region = [0.2, 0.1, 0.2, 0.9]", "camera.region"),
    "a focus behind the camera": (PICAMERA + "focus_m = -3.0", "camera.focus_m"),
    "humidity of a thermometer": (
        '[[sensor]]\nname = "a"\nkind = "ds18b20"\nquantity = "humidity"',
        "quantity",
    ),
    "all of the picture ignored": (
        "[gate]\nignore = [[[0, 0], [0.6, 0], [0.6, 1], [0, 1]], [[0.5, 0], [1, 0], [1, 1], [0.5, 1]]]",
        "gate.ignore",
    ),
    "one pin for two": ("[button]\npin = 17\n[lamp]\npin = 17", "lamp.pin"),
    "a pin of the I2C bus": (AIR + "[button]\npin = 2", "button.pin"),
    "a pin of the one-wire bus": ('[[sensor]]\nname = "a"\nkind = "ds18b20"\n[lamp]\npin = 4', "lamp.pin"),
    "a scene that is none": ('[camera]\nkind = "scene"\npreset = "nowhere"', "camera"),
    "steps that the fake does not know": ('[camera]\nkind = "fake"\nscript = "fz"', "camera"),
    "a script that only fails": ('[camera]\nkind = "fake"\nscript = "e"', "camera"),
    "a recording in no time zone": (
        '[camera]\nkind = "folder"\nfolder = "."\ntime_zone = "Mars/One"',
        "camera.time_zone",
    ),
    "a chip without its name": ('[[sensor]]\nname = "a"\nkind = "chip"', "sensor[2].chip"),
    "a sensor's script that is none": (
        '[[sensor]]\nname = "a"\nkind = "fake"\nscript = "0:warm"',
        "sensor[2]",
    ),
    "a script that goes back in time": (
        '[[sensor]]\nname = "a"\nkind = "fake"\nscript = "9:20 3:20"',
        "sensor[2]",
    ),
    "a state folder of somebody else": ('state_folder = "."', "state_folder"),
    "the system's own folder": ('state_folder = "/etc"', "state_folder"),
    "heat of a disk": (
        '[[heat]]\nsensor = "disk"\nabove_c = 70\nuntil_below_c = 60\ncamera = "off"',
        "heat[1].sensor",
    ),
    "humidity from the processor": ('[moisture]\nair = "cpu"\nhumidity = "cpu"', "moisture.humidity"),
    "a voltage in degrees": ('[low_power]\nsensor = "cpu"\nlook_every_s = 3', "low_power.sensor"),
    "a surface in yes or no": (
        '[moisture]\nair = "cpu"\nhumidity = "wet"\nsurfaces = ["low-power"]',
        "moisture.surfaces[1]",
    ),
}
WARNINGS = {
    "no rule tells anybody": (RULE + "send_to = []", "rule"),
    "always quiet": ('[hours]\nquiet = { from = "00:00", to = "24:00" }\n' + RULE, "hours.quiet"),
    "always quiet in two halves": (
        '[hours]\nquiet = [{ from = "00:00", to = "12:00" }, { from = "12:00", to = "24:00" }]\n' + RULE,
        "hours.quiet",
    ),
    "a rule for quiet hours only": (
        '[hours]\nquiet = { from = "21:00", to = "07:00" }\n'
        + RULE
        + 'hours = { from = "22:00", to = "23:00" }',
        "rule[1].hours",
    ),
    "an hour's bound above the day's": (
        RULE + "at_most_per_hour = 9\nat_most_per_day = 3",
        "at_most_per_hour",
    ),
    "as sure as nobody is": (RULE + "sure = 1.0", "rule[1].sure"),
    "west taken for east": (PLACE.replace("-1.258", "100.0"), "place.time_zone"),
    "half a place": ("[place]\nlatitude = 51.752", "place"),
    "a summary for nobody": ("[summary]\nsend_to = []", "summary.send_to"),
    "no time zone": ("[place]\nlatitude = 40.0\nlongitude = -100.0", "place.time_zone"),
    "frames too far apart": ('[camera]\nkind = "picamera"\nframes_per_s = 0.1', "camera.frames_per_s"),
    "looks too far apart": ("[classifier]\nlook_every_s = 30.0", "classifier.look_every_s"),
    "published and never built": (
        '[journal]\nbuild = "never"\n[[sink]]\nkind = "publish"\nname = "page"\nfolder = "out"',
        "journal.build",
    ),
    "one sensor twice": (AIR + AIR.replace('"air"', '"inside"'), "sensor[3]"),
}


def checked(folder: Path, text: str, *, strict: bool = False) -> tuple[int, str]:
    """Check `text` beside a sound file of the other sort. Returns the exit code, and what is said."""
    box = BOX + SINK + '[[sensor]]\nname = "wet"\nkind = "fake"\nquantity = "humidity"\n'
    policy = PLACE + RULE
    first = text.lstrip("[").split("]")[0].split(".")[0]
    is_policy = first in ("heat", "moisture", "rule", "hours", "place", "summary", "low_power")
    if is_policy:
        policy = text
    elif text.startswith("state_folder"):
        box = box.replace('state_folder = "state"', text)
    elif text.startswith("[camera]"):
        box = box.replace('[camera]\nkind = "fake"\n', f"{text}\n")
    else:
        box = f"{box}\n{text}\n"
    (folder / "box.toml").write_text(box, encoding="utf-8")
    (folder / "policy.toml").write_text(policy, encoding="utf-8")
    out = io.StringIO()
    code = check([folder / "box.toml", folder / "policy.toml"], out, strict=strict)
    return code, out.getvalue()


def attack(folder: Path) -> Outcome:
    """Every one of them."""
    outcome = Outcome("meaningless configurations", "a problem, or a warning, at the key that it is about")
    for name, (text, key) in PROBLEMS.items():
        code, said = checked(folder, text)
        outcome.note(name, None if code == 3 and f"{key}: " in said else f"exit code {code}: {said}")
    for name, (text, key) in WARNINGS.items():
        code, said = checked(folder, text)
        warned = any(line.endswith("(a warning)") and f"{key}: " in line for line in said.splitlines())
        outcome.note(name, None if code == 0 and warned else f"exit code {code}: {said}")
    return outcome
