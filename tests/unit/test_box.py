"""Box files in, values or exact messages out."""

from __future__ import annotations

import pytest

from dooryard.box.addresses import SecretRef
from dooryard.box.camera import SceneTable
from dooryard.box.file import BoxFile, parse_box, telling
from dooryard.camera.garden.families import PRESETS
from dooryard.core.errors import ConfigError

WEBHOOK = '[[sink]]\nkind = "webhook"\nname = "phone"\nurl = "https://hooks.a.example/x"\n'
EMAIL = (
    '[[sink]]\nkind = "email"\nname = "post"\nhost = "mail.a.example"\n'
    'from = "box@a.example"\nto = "me@a.example"\n'
)


WEB = '[[sink]]\nkind = "publish"\nname = "web"\nfolder = "shown"\n'
WEB_AT = "b.toml:1: sink[1]"
HOST = 'host = "garden.example"\n'
LOGIN = 'user = "wren"\nkey = "file:/k"\nknown_hosts = "hosts"\n'


def problems(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        parse_box(text, "b.toml")
    return caught.value.what.split("\n")


def test_an_empty_file_is_a_board_with_its_camera_and_warns_of_no_sink():
    parsed = parse_box("", "b.toml")
    assert parsed.value == BoxFile()
    assert parsed.value.camera.kind == "picamera"
    assert parsed.warnings == ("b.toml:1: sink: the box has no sink, so nothing is sent; add a [[sink]]",)


def test_all_is_read():
    box = parse_box(
        """
name = "Alder Row box"
state_folder = "state/alder-row"
[camera]
kind = "scene"
seed = 7
seconds = 300
luma_width = 320
[classifier]
threads = 2
look_every_s = 1
[gate]
smallest = 0.05
ignore = [[[0, 0], [0.2, 0], [0.2, 0.5]]]
[visit]
gone_after_s = 8
"""
        + WEBHOOK
        + 'secret = "credential:hook"\nbearer = "file:/run/secrets/bearer"\n'
        + EMAIL
        + 'user = "box"\npassword = "env:MAIL_PASSWORD"\n'
        + '[[sink]]\nkind = "memory"\nname = "trial"\n',
        "b.toml",
    ).value
    webhook, email, memory = box.sink
    assert webhook.secret == SecretRef("credential", "hook")
    assert webhook.bearer == SecretRef("file", "/run/secrets/bearer")
    assert email.sender == "box@a.example"
    assert email.to == ("me@a.example",)
    assert email.password == SecretRef("env", "MAIL_PASSWORD")
    assert memory.name == "trial"
    assert box.gate.ignore == (((0.0, 0.0), (0.2, 0.0), (0.2, 0.5)),)
    assert (box.camera.seed, box.camera.seconds, box.visit.gone_after_s) == (7, 300.0, 8.0)


def test_the_default_scene_exists():
    assert SceneTable(kind="scene").preset in PRESETS


@pytest.mark.parametrize(
    ("security", "host", "port"),
    [("tls", "m.example", 465), ("starttls", "m.example", 587), ("none", "::1", 25)],
)
def test_the_port_follows_the_security(security, host, port):
    text = EMAIL.replace("mail.a.example", host) + f'security = "{security}"\n'
    assert parse_box(text, "b.toml").value.sink[0].port_used == port


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('[camera]\nkind = "scean"',
         [('b.toml:2: camera.kind: must be one of "picamera", "folder", "scene" or "fake" (did you mean '
          '"scene"?)')]),
        ('[camera]\nkind = "scene"\nfolder = "x"',
         ['b.toml:3: camera.folder: is only for a camera of kind "folder", not "scene"; take it out']),
        ("[camera]\nseed = 1",
         ['b.toml:2: camera.seed: is only for a camera of kind "scene", not "picamera"; take it out']),
        ("[camera]\nluma_width = 1920\nluma_height = 90",
         ["b.toml:2: camera.luma_width: must be at most 640",
          "b.toml:3: camera.luma_height: must be at least 120"]),
        ('[camera]\nkind = "folder"',
         ["b.toml:1: camera.folder: missing: add it (where a recording's frames are)"]),
        ("[gate]\nignore = [[[0, 0], [1, 0], [1, 1.5]]]",
         ["b.toml:2: gate.ignore[1][3][2]: must be at most 1"]),
        ("[gate]\nignore = [[[0, 0], [1, 0], [0.5, 0]]]",
         ["b.toml:2: gate.ignore[1]: covers next to nothing; check the order of its corners"]),
        ("[camera]\nlarge_width = 640",
         ["b.toml:1: camera: large_width and large_height go together; give both or neither"]),
        (WEBHOOK + 'secret = "file:secrets/hook"',
         ["b.toml:5: sink[1].secret: the file of a secret is named by its whole path, from / on"]),
        ("[gate]\nignore = [[[0, 0], [1, 0]]]",
         ["b.toml:2: gate.ignore[1]: needs at least 3 entries"]),
        (WEB + 'user = "wren"', [f"{WEB_AT}: user: only with a host; give host, or take that out"]),
        (WEB + HOST, [f"{WEB_AT}: a host needs user, key and known_hosts too"]),
        (WEB + HOST + LOGIN.replace("file:/k", "env:KEY"),
         [('b.toml:7: sink[1].key: a key cannot come from an environment variable; write "credential:NAME"'
           ' or "file:/path"')]),
        (WEB + HOST.replace("garden.example", "-oProxyCommand=x") + LOGIN,
         ["b.toml:5: sink[1].host: is not a host; write its bare name or number, such as garden.example"]),
        (WEB + HOST + LOGIN.replace("wren", "wren@x"),
         ["b.toml:6: sink[1].user: is not a user's name; write letters, digits, . _ and -, such as wren"]),
        (WEB.replace("shown", "--rsync-path=x") + HOST + LOGIN,
         [f"{WEB_AT}: folder cannot be a folder's path on a host; write it plainly"]),
        ('[journal]\nbuild = "often"',
         ['b.toml:2: journal.build: must be one of "after visits", "daily" or "never"']),
        ('[journal]\naddress = "garden.example"',
         ['b.toml:2: journal.address: is not the address of a page; write it as "https://host/path/"']),
        ("[journal]\nevery_min = 1", ["b.toml:2: journal.every_min: must be at least 5"]),
        ('[[sink]]\nname = "x"',
         ["b.toml:1: sink[1]: kind is missing; add it, to say what sort this is"]),
        ('[[sink]]\nkind = "webhok"\nname = "x"',
         [('b.toml:2: sink[1].kind: must be one of "webhook", "email", "publish" or "memory"'
           ' (did you mean "webhook"?)')]),
        ('[[sink]]\nkind = "webhook"\nname = "phone"',
         ["b.toml:1: sink[1].url: missing: add it (its address)"]),
        ('[sink]\nkind = "webhook"\nname = "phone"',
         ["b.toml:1: sink: write [[sink]], in double brackets: there may be several"]),
        ('[place]\nname = "Alder Row"\n[[rule]]\nname = "x"',
         ["b.toml: this looks like a policy; a box file is wanted here"]),
        (WEBHOOK + 'secrt = "credential:x"',
         ['b.toml:5: sink[1].secrt: unknown key (did you mean "secret"?)']),
        (WEBHOOK + WEBHOOK,
         ['b.toml:7: sink[2].name: "phone" is the name of sink[1] too; give another']),
        (WEBHOOK.replace("phone", "all"),
         ['b.toml:3: sink[1].name: "all" means every sink; give this one another name']),
        (WEBHOOK.replace("phone", "My Phone"),
         ["b.toml:3: sink[1].name: must be 1 to 32 lower-case letters, digits, - and _, such as phone"]),
        (WEBHOOK.replace("https://", "ftp://"),
         ['b.toml:4: sink[1].url: is not an http or https address; write it as "https://host/path"']),
        (WEBHOOK.replace("https://", "https://me:hunter2@"),
         ["b.toml:4: sink[1].url: holds a password; take it out, and name a bearer secret instead"]),
        (WEBHOOK.replace("https://", "http://") + 'bearer = "env:TOKEN"',
         ["b.toml:1: sink[1]: a bearer token would go unencrypted; use https, or leave out bearer"]),
        (EMAIL + 'security = "none"',
         [('b.toml:1: sink[1]: security "none" is only for a server on this machine; use "tls" or '
          '"starttls"')]),
        (EMAIL + 'user = "box"',
         ["b.toml:1: sink[1]: user and password go together; give both or neither"]),
        (EMAIL.replace("me@a.example", "me"),
         [('b.toml:6: sink[1].to: is not a mail address; write "box@a.example" or '
          '"Alder Row <box@a.example>"')]),
        (EMAIL.replace("me@a.example", "me@a.example\\nBcc: you@a.example"),
         [('b.toml:6: sink[1].to: is not a mail address; write "box@a.example" or '
          '"Alder Row <box@a.example>"')]),
    ],
)  # fmt: skip
def test_one_problem(text, expected):
    assert problems(text) == expected


@pytest.mark.parametrize("key", ["secret", "bearer"])
@pytest.mark.parametrize(
    "value", ['"hunter2"', '"whsec_aHVudGVyMg=="', "12345", '["hunter2"]', '"env:"', '"file: "']
)
def test_a_secret_in_the_file_is_refused_and_not_shown(key, value):
    (found,) = problems(WEBHOOK + f"{key} = {value}")
    assert found == (
        f"b.toml:5: sink[1].{key}: a secret must not stand in this file; put it where only the service "
        'can read it, and write where that is: "credential:NAME", "file:/path" or "env:NAME"'
    )


def test_a_password_in_the_file_is_refused_and_not_shown():
    (found,) = problems(EMAIL + 'user = "box"\npassword = "hunter2"')
    assert "hunter2" not in found
    assert found.startswith("b.toml:8: sink[1].password: a secret must not stand in this file")


def test_a_bearer_may_go_to_this_machine_without_encryption():
    text = WEBHOOK.replace("https://hooks.a.example", "http://127.0.0.1:8080") + 'bearer = "env:TOKEN"'
    assert parse_box(text, "b.toml").value.sink[0].bearer == SecretRef("env", "TOKEN")


def test_no_recorder_unless_it_is_asked_for():
    assert BoxFile().recorder is None
    keys = parse_box("[recorder]\n" + WEBHOOK, "b.toml").value.recorder
    assert (keys.folder, keys.frames_per_s, keys.most_gb) == ("recording", 2.0, 8.0)
    text = '[recorder]\nfolder = "/srv/alder-row"\nframes_per_s = 0.5\nmost_gb = 20\n' + WEBHOOK
    keys = parse_box(text, "b.toml").value.recorder
    assert (keys.folder, keys.frames_per_s, keys.most_gb) == ("/srv/alder-row", 0.5, 20.0)


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ('folder = ""', "folder: is empty; write something"),
        ("frames_per_s = 0", "frames_per_s: must be more than 0"),
        ("most_gb = 0.01", "most_gb: must be at least 0.1"),
        ("most_mb = 10", 'most_mb: unknown key (did you mean "most_gb"?)'),
    ],
)
def test_a_recorder_that_cannot_be(key, text):
    assert problems(f"[recorder]\n{key}\n") == [f"b.toml:2: recorder.{text}"]


def test_a_publish_sink_here_and_on_a_host():
    (here,) = parse_box(WEB, "b.toml").value.sink
    assert (here.host, here.folder) == (None, "shown")
    (there,) = parse_box(WEB + HOST + LOGIN + "port = 2222\ndeadline_s = 60", "b.toml").value.sink
    assert (there.host, there.user, str(there.key), there.known_hosts, there.port, there.deadline_s) == (
        "garden.example", "wren", "file:/k", "hosts", 2222, 60.0,
    )  # fmt: skip


def test_policies_do_not_name_a_publish_sink():
    box = parse_box(WEB + WEBHOOK, "b.toml").value
    assert telling(box) == {"phone"}
