"""The daemon as a process: killed at any moment, stopped in good order, refused for each stated reason."""

from __future__ import annotations

import io
import json
import os
import random
import re
import shutil
import signal
import socket
import subprocess
from pathlib import Path

import pytest
from PIL import Image

import daemon_runs
import dooryard
from dooryard.cli import main
from dooryard.core.arrays import unpacked, unsealed

pytestmark = pytest.mark.process
MEMORY = '[[sink]]\nname = "phone"\nkind = "memory"\n'
PACKAGE = Path(dooryard.__file__).parent


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    return daemon_runs.paint(tmp_path_factory.mktemp("alder-row") / "recording")


@pytest.fixture
def receiver(tmp_path):
    """A real receiver on loopback; its [[sink]] and the file it writes."""
    with daemon_runs.receiver(tmp_path / "received") as made:
        yield made


def wait_until_ready(process):
    for line in process.stderr:
        if " ready " in line:
            return
    raise AssertionError("the daemon ended before it was ready")


def received(file):
    return [json.loads(line) for line in file.read_text().splitlines()] if file.exists() else []


def test_killed_at_any_moment_it_goes_on_and_nothing_stored_is_lost(tmp_path, recording, receiver):
    sink, file = receiver
    daemon_runs.write_files(tmp_path, recording, sink)
    stored: set[str] = set()
    chance = random.Random(5)
    for _ in range(6):
        process = daemon_runs.start(tmp_path)
        lines_before_the_kill = chance.randrange(1, 6)
        for _ in range(lines_before_the_kill):
            if not process.stderr.readline():
                break
        process.kill()
        process.communicate()
        if (tmp_path / "state" / "dooryard.sqlite3").exists():
            now = {row[0] for row in daemon_runs.rows(tmp_path, "SELECT id FROM alerts")}
            assert stored <= now
            stored = now
    last = daemon_runs.run(tmp_path)
    assert last.returncode == 0, last.stderr
    assert stored <= {row[0] for row in daemon_runs.rows(tmp_path, "SELECT id FROM alerts")}
    deliveries = daemon_runs.rows(tmp_path, "SELECT alert, state FROM deliveries")
    assert deliveries
    assert {state for _, state in deliveries} == {"sent"}
    assert {alert for alert, _ in deliveries} == {line["id"] for line in received(file)}
    pictures = tmp_path / "state" / "pictures"
    files = [path for path in pictures.rglob("*") if path.is_file()]
    assert {str(path.relative_to(pictures)) for path in files} == {
        row[0] for row in daemon_runs.rows(tmp_path, "SELECT path FROM pictures")
    }
    for path in files:
        Image.open(io.BytesIO(path.read_bytes())).load()  # half a picture would raise


def test_a_stretch_of_a_recording_that_is_read_again_repeats_its_visits(tmp_path, recording):
    """What was told before a kill is not told again under another id; two boxes on one recording stay two."""
    visits = "SELECT id, start_wall FROM visits ORDER BY start_wall"
    found = {}
    for name, kills in (("killed", 5), ("left alone", 0)):
        folder = tmp_path / name
        folder.mkdir()
        daemon_runs.write_files(folder, recording, MEMORY)
        for number in range(kills):
            process = daemon_runs.start(folder)
            while line := process.stderr.readline():
                if " visit id=" in line and number % 2 == 0:
                    break  # it has just been told
                if " ready " in line and number % 2:
                    break
            process.kill()
            process.communicate()
        assert daemon_runs.run(folder).returncode == 0
        found[name] = daemon_runs.rows(folder, visits)
    killed, alone = found["killed"], found["left alone"]
    assert [start for _, start in killed] == [start for _, start in alone]
    assert not {id_ for id_, _ in killed} & {id_ for id_, _ in alone}


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
def test_asked_to_stop_it_ends_the_visit_stores_it_and_exits_0(tmp_path, recording, name):
    daemon_runs.write_files(tmp_path, recording, MEMORY)
    process = daemon_runs.start(tmp_path)
    wait_until_ready(process)
    process.send_signal(getattr(signal, name))
    _, err = process.communicate(timeout=300)
    assert process.returncode == 0
    assert 'box: stop text="told to stop"' in err
    assert " stopped frames=" in err


def test_ready_status_watchdog_and_stopping_are_notified(tmp_path, recording):
    """The protocol is that of sd_notify(3)."""
    daemon_runs.write_files(tmp_path, recording, MEMORY)
    messages, name = [], f"dooryard-test-{os.getpid()}"  # another run may go on beside this one
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind(f"\0{name}")
        heard.settimeout(300)
        process = daemon_runs.start(tmp_path, NOTIFY_SOCKET=f"@{name}", WATCHDOG_USEC="400000")
        while "STOPPING=1" not in messages:
            messages.append(heard.recv(4096).decode())
        _, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    ready = next(number for number, each in enumerate(messages) if each.startswith("READY=1"))
    # A slow board is given the time that it asks for: sd_notify(3), EXTEND_TIMEOUT_USEC.
    assert ready >= 3
    assert all("EXTEND_TIMEOUT_USEC=" in each for each in messages[:ready])
    assert not any("EXTEND_TIMEOUT_USEC=" in each for each in messages[ready:])
    assert "WATCHDOG=1" in messages
    assert any(m.startswith("STATUS=watching; ") for m in messages)


def test_a_changed_policy_is_taken_up_without_a_restart_and_a_bad_one_is_not(tmp_path, recording):
    camera = 'kind = "fake"\nscript = "f"\nrepeat = true\nlive = true\nframes_per_s = 5\n'
    daemon_runs.write_files(tmp_path, recording, MEMORY, camera)
    process = daemon_runs.start(tmp_path)

    def until(text):
        for line in process.stderr:
            if text in line:
                return line
        raise AssertionError(f"the daemon ended without saying {text!r}")

    until(" ready ")
    good = daemon_runs.POLICY.replace("cooldown_min = 0", "cooldown_min = 7")
    (tmp_path / "policy.toml").write_text(good)
    process.send_signal(signal.SIGHUP)
    assert "cooldown_min: 0 -> 7" in until("box: policy")
    (tmp_path / "policy.toml").write_text("rule = nonsense")
    process.send_signal(signal.SIGHUP)
    assert "the old one holds" in until("box: policy")
    process.terminate()
    process.communicate(timeout=300)
    assert process.returncode == 0


def test_what_people_say_of_a_visit_is_learned_at_the_next_start(tmp_path, recording):
    daemon_runs.write_files(tmp_path, recording, MEMORY)
    assert daemon_runs.run(tmp_path).returncode == 0
    box = ["--box", str(tmp_path / "box.toml")]
    assert main.main(["mark", "last", "robin", *box]) == 0
    process = daemon_runs.start(tmp_path)
    _, err = process.communicate(timeout=300)
    assert process.returncode == 0, err
    assert "to be taught name=robin" in err
    [features] = (tmp_path / "state" / "taught").glob("features-*.npz")
    kept = unpacked(unsealed(features.read_bytes()), 10**6)
    assert kept["features"].shape[0] == 1
    [[learned]] = daemon_runs.rows(tmp_path, "SELECT data FROM states WHERE name = 'place'")
    assert learned


def refused(tmp_path, recording, code, *words, sinks=MEMORY, camera=None, policy=None, prepare=None):
    """Run; it must end with `code`, one message with a remedy that has `words`, and no traceback."""
    daemon_runs.write_files(tmp_path, recording, sinks, camera)
    if policy is not None:
        (tmp_path / "policy.toml").write_text(policy)
    if prepare:
        prepare()
    ran = daemon_runs.run(tmp_path)
    assert ran.returncode == code, ran.stderr
    assert "Traceback" not in ran.stderr
    assert ran.stderr.count("to do:") == 1
    for word in words:
        assert word in ran.stderr


def test_a_wrong_policy(tmp_path, recording):
    wrong = daemon_runs.POLICY.replace("cooldown_min", "cooldwon_min")
    refused(
        tmp_path,
        recording,
        3,
        "policy.toml:10: rule[1].cooldwon_min",
        'did you mean "cooldown_min"?',
        policy=wrong,
    )


def test_a_sink_that_the_box_lacks(tmp_path, recording):
    wrong = daemon_runs.POLICY + 'send_to = ["fone"]\n'
    refused(tmp_path, recording, 3, 'no sink "fone"', "phone", policy=wrong)


def test_a_camera_that_is_not_there(tmp_path, recording):
    refused(tmp_path, recording, 4, "nowhere", camera='kind = "folder"\nfolder = "nowhere"\n')


def test_a_board_camera_without_its_library(tmp_path, recording):
    refused(tmp_path, recording, 4, "picamera2", camera='kind = "picamera"\n')


@pytest.mark.parametrize("damage", ["missing", "torn", "other"])
def test_a_model_that_is_missing_or_damaged(tmp_path, recording, damage):
    models = tmp_path / "models"
    shutil.copytree(PACKAGE / "classify" / "models", models)
    model = models / "lite0.onnx"
    if damage == "missing":
        model.unlink()
    elif damage == "torn":
        model.write_bytes(model.read_bytes()[:1_000_000])
    else:
        model.write_bytes(b"x" * model.stat().st_size)
    table = '[classifier]\ncard = "models/lite0.toml"\n'
    refused(tmp_path, recording, 5, "lite0.onnx", sinks=table + MEMORY)


ASKS = daemon_runs.POLICY + '[[rule]]\nname = "whatever it is"\nvisitor = ["something"]\ncooldown_min = 0\n'


@pytest.mark.parametrize(("policy", "tells"), [(daemon_runs.POLICY, False), (ASKS, True)])
def test_without_a_model_it_watches_on_where_the_box_file_says_so(tmp_path, recording, policy, tells):
    models = tmp_path / "models"
    shutil.copytree(PACKAGE / "classify" / "models", models)
    (models / "lite0.onnx").unlink()
    table = '[classifier]\ncard = "models/lite0.toml"\nwatch_without = true\n'
    daemon_runs.write_files(tmp_path, recording, table + MEMORY)
    (tmp_path / "policy.toml").write_text(policy)
    ran = daemon_runs.run(tmp_path)
    assert ran.returncode == 0, ran.stderr
    assert ran.stderr.count("box: classifier") == 1
    assert "lite0.onnx" in ran.stderr
    groups = daemon_runs.rows(tmp_path, "SELECT group_name, outcome FROM visits")
    assert groups
    assert {group for group, _outcome in groups} == {"something"}
    assert any(outcome == "told" for _group, outcome in groups) == tells


def test_a_state_folder_that_is_none(tmp_path, recording):
    refused(tmp_path, recording, 6, "state", prepare=lambda: (tmp_path / "state").write_text("a file"))


def test_a_secret_that_others_can_read(tmp_path, recording):
    secret = tmp_path / "secret"
    secret.write_text("whsec_aGVsbG8gd29ybGQgaGVsbG8gd29ybGQ=")
    secret.chmod(0o644)
    sink = (
        f'[[sink]]\nname = "phone"\nkind = "webhook"\nurl = "http://127.0.0.1:9/"\nsecret = "file:{secret}"\n'
    )
    refused(tmp_path, recording, 7, "0644", "chmod 600", sinks=sink)


def test_a_state_folder_in_use(tmp_path, recording):
    camera = 'kind = "fake"\nscript = "f"\nrepeat = true\nlive = true\nframes_per_s = 5\n'
    daemon_runs.write_files(tmp_path, recording, MEMORY, camera)
    first = daemon_runs.start(tmp_path)
    wait_until_ready(first)
    try:
        refused(tmp_path, recording, 8, "state", camera=camera)
    finally:
        first.terminate()
        first.communicate(timeout=300)


def test_a_receiver_that_is_away_leaves_the_alerts_for_the_next_start(tmp_path, recording, receiver):
    sink, file = receiver
    away = '[[sink]]\nname = "phone"\nkind = "webhook"\nurl = "http://127.0.0.1:9/"\n'
    daemon_runs.write_files(tmp_path, recording, away)
    process = daemon_runs.start(tmp_path)
    for line in process.stderr:
        if "recording over" in line:
            process.terminate()
            break
    process.communicate(timeout=300)
    waiting = daemon_runs.rows(tmp_path, "SELECT alert FROM deliveries WHERE state = 'waiting'")
    assert waiting
    assert received(file) == []
    daemon_runs.write_files(tmp_path, recording, sink)
    assert daemon_runs.run(tmp_path).returncode == 0
    assert {row[0] for row in waiting} <= {line["id"] for line in received(file)}


def mounted(folder, size):
    folder.mkdir()
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder],
        capture_output=True,
        text=True,
        check=False,
    )
    return made.returncode == 0


def test_on_a_disk_below_the_reserve_all_is_stored_but_the_pictures(tmp_path, recording):
    """A file system of 20 MB, less than what is left free for words: stays are as long as they were."""
    stays = "SELECT start_wall, round(stay_s, 1), end_wall NOT NULL FROM visits ORDER BY start_wall"
    roomy, small = tmp_path / "roomy", tmp_path / "small"
    for home in (roomy, small):
        home.mkdir()
        daemon_runs.write_files(home, recording, MEMORY)
    assert daemon_runs.run(roomy).returncode == 0
    if not mounted(small / "state", "20m"):
        pytest.skip("needs the right to mount a small file system")
    try:
        ran = daemon_runs.run(small)
        assert ran.returncode == 0, ran.stderr
        assert "stored without its picture" in ran.stderr
        assert " lost=0 " in ran.stderr
        assert daemon_runs.rows(small, stays) == daemon_runs.rows(roomy, stays)
        assert daemon_runs.rows(small, "SELECT count(*) FROM pictures") == [(0,)]
    finally:
        subprocess.run(["umount", "-l", small / "state"], check=False)


def test_a_full_disk_while_running_is_said_and_does_not_end_the_watch(tmp_path, recording):
    """A file system of 1 MB, filled up: what cannot be stored is said, nothing is half written."""
    if not mounted(tmp_path / "state", "1m"):
        pytest.skip("needs the right to mount a small file system")
    try:
        daemon_runs.write_files(tmp_path, recording, MEMORY)
        process = daemon_runs.start(tmp_path)
        wait_until_ready(process)
        filler = os.open(tmp_path / "state" / "filler", os.O_WRONLY | os.O_CREAT)
        with pytest.raises(OSError, match="No space left"):
            while True:
                os.write(filler, b"x" * 4096)
        os.close(filler)
        _, err = process.communicate(timeout=300)
        assert process.returncode == 0, err
        assert "Traceback" not in err
        assert "not stored" in err
        assert "to_do=" in err
        [lost] = re.findall(r" stopped .* lost=(\d+)", err)
        [named] = re.findall(r"lost: the disk refused until the end visits=(.*)", err)
        assert int(lost) == len(named.strip('"').split()) > 0
        assert list((tmp_path / "state").rglob("*.tmp")) == []
    finally:
        subprocess.run(["umount", "-l", tmp_path / "state"], check=False)
