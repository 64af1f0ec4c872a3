"""`dooryard check`: files of both sorts, problems and warnings, exit codes."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import pytest

from dooryard.box.file import BoxFile
from dooryard.box.sensors import build
from dooryard.cli.check import check
from dooryard.core.errors import ConfigError
from dooryard.core.text_files import read_text
from dooryard.sensors.kinds import Machine
from dooryard.service.policy_file import gauges_of, reread

POLICY = '[[rule]]\nname = "x"\nvisitor = "bird"\nsend_to = "phone"\n'
BOX = 'name = "Alder Row box"\n[[sink]]\nkind = "memory"\nname = "phone"\n'


@pytest.fixture
def checked(tmp_path: Path):
    """Write files, check them, and return the exit code and the lines printed, without the folder."""

    def run(**files: str | bytes) -> tuple[int, list[str]]:
        paths = []
        for name, content in files.items():
            path = tmp_path / f"{name}.toml"
            path.write_bytes(content if isinstance(content, bytes) else content.encode())
            paths.append(path)
        out = io.StringIO()
        known = frozenset({"bird", "house finch"}), {"house finch": "bird"}
        code = check(paths, out, visitors_of=lambda _box, _base: known)
        return code, out.getvalue().replace(f"{tmp_path}/", "").splitlines()

    return run


def test_all_well(checked):
    assert checked(policy=POLICY, box=BOX) == (
        0,
        ["box.toml: a box file without problems", "policy.toml: a policy file without problems"],
    )


def test_an_empty_file_is_a_policy(checked):
    said = "an empty policy: the built-in one holds"
    assert checked(any=b"", other=b"# nothing yet\n") == (0, [f"any.toml: {said}", f"other.toml: {said}"])


def test_a_policy_is_checked_against_the_box_beside_it(checked):
    code, lines = checked(policy=POLICY.replace("phone", "fone"), box=BOX)
    assert code == ConfigError.exit_code
    assert lines == [
        "box.toml: a box file without problems",
        'policy.toml:4: rule[1].send_to: the box has no sink "fone" (did you mean "phone"?); it has: phone',
    ]


def test_a_policy_alone_is_not_checked_for_sinks(checked):
    assert checked(policy=POLICY.replace("phone", "fone"))[0] == 0


def test_a_policy_beside_a_wrong_box_is_not_blamed_for_it(checked):
    code, lines = checked(policy=POLICY, box=BOX + "foo = 1\n")
    assert code == 3
    assert lines == [
        "box.toml:5: sink[1].foo: unknown key; take it out, or write one of: kind, name",
        "policy.toml: a policy file without problems",
    ]


def test_warnings_are_printed_and_are_no_problems(checked):
    code, lines = checked(policy=POLICY + '[[rule]]\nname = "y"\nvisitor = "house finch"\n')
    assert code == 0
    assert lines[0] == (
        'policy.toml:5: rule[2]: "y" can never fire: "x" before it always takes its visitors; '
        "move it up, or take it out (a warning)"
    )


def test_every_file_is_checked_even_after_a_wrong_one(checked):
    code, lines = checked(a="[keeping]\ndays = 0", b="x = ", c=POLICY)
    assert code == 3
    assert [line.split(":")[0] for line in lines] == ["a.toml", "b.toml", "c.toml"]


def test_a_file_that_is_not_text(checked):
    code, lines = checked(a=b'[place]\nname = "\xff"')
    assert (code, lines) == (3, ["a.toml:2: is not UTF-8 text", "  to do: save the file as UTF-8"])


@pytest.mark.parametrize("name", ["missing.toml", "."])
def test_a_file_that_cannot_be_read(tmp_path, name):
    out = io.StringIO()
    assert check([tmp_path / name], out) == 3
    assert "to do: name a policy or box file that this user may read" in out.getvalue()


def test_a_file_that_is_far_too_large(tmp_path):
    path = tmp_path / "large.toml"
    with path.open("wb") as file:
        file.truncate(2_000_000)
    with pytest.raises(ConfigError, match="is 2000000 bytes long"):
        read_text(path)


def test_checking_needs_neither_the_model_runtime_nor_the_sun():
    script = (
        "import sys, dooryard.cli.check, dooryard.policy.decide, dooryard.policy.say\n"
        "print([name for name in ('onnxruntime', 'astral', 'PIL', 'requests') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_a_changed_policy_is_taken_up_whole_or_not_at_all(tmp_path):
    path = tmp_path / "policy.toml"
    path.write_text(POLICY)
    policy, text = reread(path, sinks=frozenset({"phone", "post"}))
    assert (policy is not None, text) == (True, "")
    path.write_text(POLICY + "[keeping]\ndays = 0\nmegabytes = 0\n")
    policy, text = reread(path, sinks=frozenset({"phone", "post"}))
    assert policy is None
    assert text.endswith("keeping.days: must be at least 1")
    path.unlink()
    assert reread(path, sinks=frozenset())[0] is None


HEAT = '[[heat]]\nsensor = "{}"\nabove_c = 70\nuntil_below_c = 60\ncamera = "off"\n'
ENCLOSURE = '[[sensor]]\nname = "enclosure"\nkind = "ds18b20"\n'


def test_a_step_by_a_sensor_that_is_read_too_seldom_is_warned_of(checked):
    slow = BOX + ENCLOSURE + "every_s = {}\n"
    assert not any(
        "late" in line for line in checked(policy=HEAT.format("enclosure"), box=slow.format(300))[1]
    )
    code, lines = checked(policy=HEAT.format("enclosure"), box=slow.format(1800))
    assert code == 0
    assert lines[1] == (
        'policy.toml:2: heat[1].sensor: "enclosure" is read every 30 min, so the step may come 1 h late; '
        "set every_s of that sensor to 300 or less (a warning)"
    )


def test_a_policy_is_checked_against_the_sensors_of_the_box_beside_it(checked):
    code, lines = checked(policy=HEAT.format("enclosur"), box=BOX + ENCLOSURE)
    assert code == ConfigError.exit_code
    assert lines[1] == (
        'policy.toml:2: heat[1].sensor: the box has no sensor "enclosur" (did you mean "enclosure"?); '
        "it has: clock, cpu, disk, enclosure, low-power, memory, slowed-down; "
        "add a [[sensor]] with that name to the box file, or take this out"
    )
    for name in ("enclosure", "cpu"):
        assert checked(policy=HEAT.format(name), box=BOX + ENCLOSURE)[0] == 0
    assert checked(policy=HEAT.format("enclosur"))[0] == 0


def test_a_sensor_of_the_box_takes_the_place_of_the_boards_own(checked):
    box = BOX + '[[sensor]]\nname = "soc"\nkind = "cpu"\n'
    assert checked(policy=HEAT.format("soc"), box=box)[0] == 0
    code, lines = checked(policy=HEAT.format("cpu"), box=box)
    assert code == ConfigError.exit_code
    assert 'the box has no sensor "cpu"; it has: clock' in lines[1]


def test_the_names_are_those_that_are_built(tmp_path):
    tables = [{"name": "soc", "kind": "cpu"}, {"name": "enclosure", "kind": "fake"}]
    box = BoxFile.model_validate({"sensor": tables})
    built = build(box.sensor, Machine(tmp_path, tmp_path))
    absent = {text.partition(":")[0] for text in built.absent}
    assert {sensor.name for sensor in built.sensors} | absent == gauges_of(box).keys()
    assert {s.name: (s.unit.value, s.every_s) for s in built.sensors}.items() <= gauges_of(box).items()


NIGHT = 'quiet = { from = "22:00", to = "06:00" }\n'


RULE = '[[rule]]\nname = "{}"\nvisitor = "{}"\n'
STAYS = RULE.format("a", "bird") + "shortest_stay_s = 8\n" + RULE.format("b", "anything")
WAITS = ': rule[2]: "b" waits while "a" may still take the visit'


@pytest.mark.parametrize(
    ("policy", "told"),
    [
        (
            f"[hours]\n{NIGHT}",
            ["2: hours.quiet: what is held is", "2: hours.quiet: messages about the box wait"],
        ),
        (f'[hours]\n{NIGHT}when_quiet_ends = "summary"\n[messages]\nurgent = "all"', []),
        (RULE.format("a", "not sure"), ['3: rule[1].visitor: "not sure" no longer takes']),
        (RULE.format("a", "bird") + "sure = 0.9", ["4: rule[1].sure: is compared with"]),
        (RULE.format("a", "bird"), []),
        (STAYS, ["5" + WAITS]),
        (RULE.format("a", "house finch") + RULE.format("b", "bird"), ["4" + WAITS]),
        (RULE.format("a", "house finch") + RULE.format("b", "cat"), []),
    ],
)
def test_lines_that_mean_something_else_than_before_are_told_with_how_to_keep_it(tmp_path, policy, told):
    path, out = tmp_path / "policy.toml", io.StringIO()
    path.write_text(policy, encoding="utf-8")
    known = frozenset({"bird", "cat", "house finch"}), {"house finch": "bird", "bird": "bird", "cat": "cat"}
    assert check([path], out, visitors_of=lambda _box, _base: known, changed=True) == 0
    lines = [line for line in out.getvalue().replace(f"{tmp_path}/", "").splitlines() if "(changed)" in line]
    assert len(lines) == len(told)
    assert all(any(line.startswith(f"policy.toml:{start}") for line in lines) for start in told)
    assert all("to keep " in line for line in lines)


def test_without_asking_it_is_said_that_there_are_some(checked):
    _code, lines = checked(policy=f"[hours]\n{NIGHT}")
    assert lines[-1].startswith(
        "policy.toml: 2 lines mean something else than before: dooryard check --changed"
    )
