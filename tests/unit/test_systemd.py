"""The unit files, read by the tools that will read them: systemd, its sysusers, and polkit's script engine.

Where a tool is not installed the test is skipped with its name. Nothing here starts a service: that needs a
machine whose first process is systemd.
"""

from __future__ import annotations

import configparser
import ctypes
import ctypes.util
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from dooryard.box.file import parse_box
from dooryard.cli.check import check
from dooryard.core.errors import exit_codes
from fakes.boxes import SECOND_PHONE, with_all_parts

REPOSITORY = Path(__file__).parents[2]
UNITS = REPOSITORY / "systemd"
SERVICE = UNITS / "dooryard.service"
LAST_RESORT = UNITS / "last-resort"
OUR_UNITS = sorted(path.name for path in (*UNITS.glob("*.service"), *UNITS.glob("*.timer")))
MOST_EXPOSURE = (
    1.7  # common practice, no source: what is left is the camera, the pins, the bus and the network
)


def tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed: the unit files are NOT checked by it")
    return found


def run(*words: str, **environ: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        words, capture_output=True, text=True, timeout=30, check=False, env=os.environ | environ
    )


def root_with_units(root: Path) -> Path:
    """A file system with the units and the programs that they name, so that nothing need be overlooked."""
    shutil.copytree("/lib/systemd/system", root / "lib/systemd/system", symlinks=True)
    (root / "etc/systemd/system").mkdir(parents=True)
    for name in OUR_UNITS:
        shutil.copy(UNITS / name, root / "etc/systemd/system" / name)
    for program in (
        "opt/dooryard/bin/dooryard",
        "opt/dooryard/libexec/last-resort",
        "opt/dooryard/libexec/steady",
        "bin/kill",
        "bin/systemctl",
    ):
        path = root / program
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("#!/bin/sh\n", encoding="utf-8")
        path.chmod(0o755)
    (root / "opt/dooryard/share").mkdir()
    (root / "opt/dooryard/share/README.md").touch()
    return root


@pytest.mark.process
def test_systemd_finds_nothing_wrong_with_the_units(tmp_path: Path):
    analyze = tool("systemd-analyze")
    root = root_with_units(tmp_path)
    found = run(analyze, "verify", f"--root={root}", *OUR_UNITS)
    version = int(run(analyze, "--version").stdout.split()[1])
    said = [line for line in found.stderr.splitlines() if version >= 254 or "RestartMode" not in line]
    assert (found.returncode, found.stdout, said) == (0, "", [])


@pytest.mark.process
def test_systemd_would_have_found_a_misspelt_key_and_a_missing_program(tmp_path: Path):
    analyze = tool("systemd-analyze")
    root = root_with_units(tmp_path)
    unit = root / "etc/systemd/system/dooryard.service"
    unit.write_text(
        unit.read_text(encoding="utf-8").replace("WatchdogSec=", "WatchdogSecs="), encoding="utf-8"
    )
    (root / "opt/dooryard/libexec/last-resort").unlink()
    found = run(analyze, "verify", f"--root={root}", *OUR_UNITS)
    assert "WatchdogSecs" in found.stderr
    assert "last-resort is not executable" in found.stderr


@pytest.mark.process
@pytest.mark.parametrize(
    "name", ["dooryard.service", "dooryard-last-resort.service", "dooryard-steady.service"]
)
def test_the_services_are_exposed_no_more_than_they_must_be(name: str):
    analyze = tool("systemd-analyze")
    found = run(
        analyze, "security", "--offline=true", f"--threshold={round(MOST_EXPOSURE * 10)}", str(UNITS / name)
    )
    (level,) = re.findall(r"exposure level for \S+: ([\d.]+)", found.stdout)
    assert float(level) <= MOST_EXPOSURE
    assert found.returncode == 0


@pytest.mark.process
def test_what_stays_open_is_what_we_say_it_is():
    """Each weakness that systemd sees has a reason of ours; a new one fails here."""
    analyze = tool("systemd-analyze")
    found = run(analyze, "security", "--offline=true", "--json=short", str(SERVICE))
    weak = {row["json_field"] for row in json.loads(found.stdout) if row["set"] is False}
    reasons = {
        "RestrictAddressFamilies_AF_INET_INET6": "webhooks and mail",
        "RestrictAddressFamilies_AF_UNIX": "the service manager, the bus",
        "RestrictAddressFamilies_AF_NETLINK": "the camera library listens to udev",
        "PrivateNetwork": "webhooks and mail",
        "IPAddressDeny": "receivers may be anywhere",
        "PrivateUsers": "the groups that own the devices must be real",
        "PrivateDevices": "camera, pins, bus",
        "DeviceAllow": "camera, pins, bus",
        "ProcSubset": "memory, Wi-Fi and the boot's id are read from /proc",
        "RootDirectoryOrRootImage": "runs from the system's own packages",
        "SupplementaryGroups": "video, gpio, i2c own the devices",
        "PrivateMounts": "there is nothing to mount",
        "UMask": "the owner's group may read the journal's pictures",
    }
    assert weak <= reasons.keys(), weak - reasons.keys()


@pytest.mark.process
def test_the_classifier_runs_under_the_units_own_restrictions():
    """MemoryDenyWriteExecute and SystemCallFilter, as the service manager would set them."""
    tool("systemd-analyze")
    if ctypes.util.find_library("seccomp") is None:
        pytest.skip("libseccomp is not installed: MemoryDenyWriteExecute is NOT tried")
    assert "\nMemoryDenyWriteExecute=yes\n" in SERVICE.read_text(encoding="utf-8")
    script = str(Path(__file__).with_name("under_filter.py"))
    ran = run(sys.executable, script, str(SERVICE))
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "memory rules: 4" in ran.stdout
    assert "classified: 1" in ran.stdout
    assert "thread: ran" in ran.stdout
    assert "refused:" in run(sys.executable, script, str(SERVICE), "memory").stdout


@pytest.mark.process
def test_the_user_and_its_groups_can_be_made(tmp_path: Path):
    sysusers = tool("systemd-sysusers")
    (tmp_path / "etc").mkdir()
    made = run(sysusers, f"--root={tmp_path}", str(UNITS / "dooryard.sysusers.conf"))
    assert made.returncode == 0, made.stderr
    again = run(sysusers, f"--root={tmp_path}", str(UNITS / "dooryard.sysusers.conf"))
    assert again.returncode == 0, again.stderr
    (user,) = [line for line in (tmp_path / "etc/passwd").read_text().splitlines() if line]
    assert user.startswith("dooryard:x:")
    assert user.endswith(":/usr/sbin/nologin")
    groups = dict(line.split(":")[::3] for line in (tmp_path / "etc/group").read_text().splitlines() if line)
    assert groups == {"dooryard": "", "video": "dooryard", "gpio": "dooryard", "i2c": "dooryard"}


@pytest.mark.process
def test_the_folders_can_be_made(tmp_path: Path):
    tmpfiles, sysusers = tool("systemd-tmpfiles"), tool("systemd-sysusers")
    if os.geteuid() != 0:
        pytest.skip("needs root to give folders away: tmpfiles are NOT tried")
    (tmp_path / "etc").mkdir()
    run(sysusers, f"--root={tmp_path}", str(UNITS / "dooryard.sysusers.conf"))
    with (tmp_path / "etc/passwd").open("a") as users:
        users.write("root:x:0:0::/root:/bin/sh\n")
    with (tmp_path / "etc/group").open("a") as groups:
        groups.write("root:x:0:\n")
    conf = tmp_path / "usr/lib/tmpfiles.d/dooryard.conf"
    conf.parent.mkdir(parents=True)
    shutil.copy(UNITS / "dooryard.tmpfiles.conf", conf)
    made = run(tmpfiles, "--create", f"--root={tmp_path}", "dooryard.conf")
    assert made.returncode == 0, made.stderr
    assert (tmp_path / "etc/dooryard").stat().st_mode & 0o777 == 0o750
    assert (tmp_path / "etc/dooryard/secrets").stat().st_mode & 0o777 == 0o700


def rule_answers(user: str, action: str) -> str:
    """What polkit's own script engine makes of our rule."""
    name = ctypes.util.find_library("duktape")
    if name is None:
        pytest.skip("libduktape (polkit's script engine) is not installed: the rule is NOT tried")
    engine = ctypes.CDLL(name)
    engine.duk_create_heap.restype = ctypes.c_void_p
    engine.duk_create_heap.argtypes = [ctypes.c_void_p] * 5
    engine.duk_eval_raw.argtypes = [ctypes.c_void_p, ctypes.c_char_p, ctypes.c_size_t, ctypes.c_uint]
    engine.duk_safe_to_lstring.restype = ctypes.c_char_p
    engine.duk_safe_to_lstring.argtypes = [ctypes.c_void_p, ctypes.c_int, ctypes.c_void_p]
    engine.duk_destroy_heap.argtypes = [ctypes.c_void_p]
    heap = engine.duk_create_heap(None, None, None, None, None)
    rule = (UNITS / "50-dooryard.rules").read_text(encoding="utf-8")
    script = f"""
        var rules = [];
        var polkit = {{ Result: {{ YES: "yes", NO: "no" }}, addRule: function (f) {{ rules.push(f); }} }};
        {rule}
        String(rules.length) + " " + String(rules[0]({{ id: "{action}" }}, {{ user: "{user}" }}));
    """
    as_program = (1 << 3) | (1 << 7) | (1 << 9) | (1 << 10) | (1 << 11)  # what duk_peval_string() passes
    failed = engine.duk_eval_raw(heap, script.encode(), 0, as_program)
    text: bytes = engine.duk_safe_to_lstring(heap, -1, None)
    engine.duk_destroy_heap(heap)
    assert not failed, text
    return text.decode()


def test_the_services_user_may_power_off_and_nothing_else():
    off = "org.freedesktop.login1.power-off"
    assert rule_answers("dooryard", off) == "1 yes"
    assert rule_answers("dooryard", f"{off}-multiple-sessions") == "1 yes"
    assert rule_answers("dooryard", f"{off}-ignore-inhibit") == "1 undefined"
    assert rule_answers("dooryard", "org.freedesktop.login1.reboot") == "1 undefined"
    assert rule_answers("robin", off) == "1 undefined"


@pytest.mark.process
def test_a_real_polkitd_lets_the_services_user_power_off_and_nothing_else(tmp_path: Path):
    """With this system's own polkitd and logind's own list of actions, in a root that is thrown away."""
    if os.geteuid() != 0 or not Path("/usr/lib/polkit-1/polkitd").exists():
        pytest.skip("needs root and polkitd: the rule is NOT tried on it")
    for name in ("unshare", "pkcheck", "dbus-daemon", "dbus-send", "setpriv", "systemd-sysusers"):
        tool(name)
    script = Path(__file__).with_name("ask_polkit.sh")
    # A process namespace of its own: what the script starts ends with it.
    own = ("unshare", "--mount", "--pid", "--fork", "--kill-child")
    ran = run(*own, str(script), str(tmp_path), str(UNITS))
    if ran.returncode != 0 and "mount" in ran.stderr:
        pytest.skip(f"no mounts here: the rule is NOT tried on polkitd ({ran.stderr.strip()})")
    assert ran.returncode == 0, ran.stdout + ran.stderr
    answers = dict(line.split() for line in ran.stdout.splitlines())
    assert answers == {
        "power-off": "0",
        "power-off-multiple-sessions": "0",
        "power-off-ignore-inhibit": "2",  # pkcheck(1): a person would have to authenticate
        "reboot": "2",
    }, ran.stderr


def test_the_rules_actions_are_ones_that_logind_has():
    policy = Path("/usr/share/polkit-1/actions/org.freedesktop.login1.policy")
    if not policy.exists():
        pytest.skip("logind's list of actions is not installed: the names are NOT checked")
    rule = (UNITS / "50-dooryard.rules").read_text(encoding="utf-8")
    used = re.findall(r'"(org\.freedesktop\.[^"]+)"', rule)
    known = set(re.findall(r'<action id="([^"]+)"', policy.read_text(encoding="utf-8")))
    assert used
    assert set(used) <= known


def last_resort(folder: Path, result: str, status: str) -> subprocess.CompletedProcess[str]:
    """Run the script with a systemctl that only writes down what it was asked."""
    programs = folder / "programs"
    programs.mkdir(exist_ok=True)
    stand_in = programs / "systemctl"
    stand_in.write_text(f'#!/bin/sh\necho "$@" >>{folder}/asked\n', encoding="utf-8")
    stand_in.chmod(0o755)
    return run(
        "/bin/sh",
        str(LAST_RESORT),
        PATH=f"{programs}:{os.environ['PATH']}",
        STATE_DIRECTORY=str(folder),
        MONITOR_SERVICE_RESULT=result,
        MONITOR_EXIT_STATUS=status,
    )


def asked(folder: Path) -> list[str]:
    path = folder / "asked"
    return path.read_text().splitlines() if path.exists() else []


@pytest.mark.process
def test_the_last_resort_restarts_the_board_three_times_and_then_leaves_it_on(tmp_path: Path):
    for _ in range(5):
        assert last_resort(tmp_path, "start-limit-hit", "4").returncode == 0
    assert asked(tmp_path) == ["reboot"] * 3
    (tmp_path / "restarts").unlink()  # as `steady` does after two hours
    last_resort(tmp_path, "watchdog", "9")
    assert len(asked(tmp_path)) == 4


@pytest.mark.process
@pytest.mark.parametrize("status", ["2", "3", "7", "8"])
def test_a_wrong_file_never_restarts_the_board(tmp_path: Path, status: str):
    ran = last_resort(tmp_path, "exit-code", status)
    assert f"exit status {status}: restarting mends nothing" in ran.stdout
    assert asked(tmp_path) == []


def steady(folder: Path, doing: str, since_us: str) -> str:
    """Run the script on a board that has been up for ten hours; returns what it says."""
    (folder / "uptime").write_text("36000.25 1.00\n")
    programs = folder / "programs"
    programs.mkdir(exist_ok=True)
    stand_in = programs / "systemctl"
    stand_in.write_text(
        f'#!/bin/sh\ncase $2 in *ActiveState) echo "{doing}" ;; *) echo "{since_us}" ;; esac\n',
        encoding="utf-8",
    )
    stand_in.chmod(0o755)
    ran = run(
        "/bin/sh",
        str(UNITS / "steady"),
        PATH=f"{programs}:{os.environ['PATH']}",
        STATE_DIRECTORY=str(folder),
        DOORYARD_UPTIME=str(folder / "uptime"),
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    return ran.stdout


@pytest.mark.process
def test_the_count_is_forgotten_after_two_unbroken_hours_and_not_before(tmp_path: Path):
    since_two_hours, since_less = "28800000000", "28801000000"  # microseconds after the start of the board
    restarts = tmp_path / "restarts"
    restarts.write_text("2\n")
    for doing, since_us in [
        ("active", since_less),
        ("activating", since_two_hours),
        ("failed", since_two_hours),
        ("active", "0"),
        ("active", ""),
    ]:
        assert steady(tmp_path, doing, since_us) == ""
        assert restarts.read_text() == "2\n"
    assert "counted again" in steady(tmp_path, "active", since_two_hours)
    assert not restarts.exists()
    assert steady(tmp_path, "active", since_two_hours) == ""  # nothing to forget


def test_no_start_forgets_how_often_the_board_was_restarted():
    unit = SERVICE.read_text(encoding="utf-8")
    assert not re.search("^Exec(StartPre|StartPost|StopPost)", unit, re.MULTILINE)
    assert "RestartMode=direct" in unit.splitlines()


@pytest.mark.process
@pytest.mark.parametrize("damage", ["", "\n", "three\n", "-1\n", "\0\0"])
def test_a_damaged_count_is_begun_again(tmp_path: Path, damage: str):
    (tmp_path / "restarts").write_text(damage)
    assert last_resort(tmp_path, "timeout", "4").returncode == 0
    assert asked(tmp_path) == ["reboot"]
    assert (tmp_path / "restarts").read_text() == "1\n"


def test_both_lists_of_hopeless_exit_codes_are_one_and_are_documented():
    unit = SERVICE.read_text(encoding="utf-8")
    (listed,) = re.findall(r"^RestartPreventExitStatus=(.+)$", unit, re.MULTILINE)
    (in_script,) = re.findall(r"^  ([\d |]+)\)$", LAST_RESORT.read_text(encoding="utf-8"), re.MULTILINE)
    codes = {int(code) for code in listed.split()}
    assert codes == {int(code) for code in in_script.split("|")}
    assert codes <= exit_codes().keys()


def test_the_unit_does_not_wait_for_a_time_server():
    """time-sync.target may never be reached without a network (systemd.special(7)); time-set.target is."""
    unit = SERVICE.read_text(encoding="utf-8")
    settings = [line for line in unit.splitlines() if line and not line.startswith("#")]
    assert not [line for line in settings if "time-sync" in line]
    assert "time-set.target" in next(line for line in settings if line.startswith("After="))


def test_the_hardware_watchdog_is_within_the_boards_limit():
    conf = configparser.ConfigParser()
    conf.read(UNITS / "dooryard-watchdog.conf", encoding="utf-8")
    assert 0 < int(conf["Manager"]["RuntimeWatchdogSec"].removesuffix("s")) < 15


def test_the_sample_box_file_is_clean_alone_and_with_all_parts_with_each_sample_policy(tmp_path):
    assert parse_box((UNITS / "box.toml").read_text(encoding="utf-8"), "box.toml").warnings == ()
    box = tmp_path / "box.toml"
    box.write_text(with_all_parts() + SECOND_PHONE, encoding="utf-8")
    out = io.StringIO()
    assert check([box, *sorted((REPOSITORY / "policies").glob("*.toml"))], out) == 0, out.getvalue()
    assert "warning" not in out.getvalue()
