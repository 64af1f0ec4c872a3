"""What is done to the board, step by step: each returns what was seen, or raises FailedError."""

from __future__ import annotations

import shutil
import subprocess
import time
from pathlib import Path

from standardwebhooks import Webhook

from unit_trial.board import CERTIFICATES, NotTriedError, cache
from unit_trial.trial import BOX, LAST_RESORT, POLICY, SECRET, Trial, must, ok

REPOSITORY = Path(__file__).parents[2]
LOCKS = {"bookworm": "3.11", "trixie": "3.13"}


def wheels(trial: Trial) -> str:
    """Python packages for the board are fetched outside: in there is no network."""
    board = trial.board
    store = cache() / f"wheels-{board.suite}"
    lock = REPOSITORY / "systemd" / f"lock-{LOCKS[board.suite]}.txt"
    stamp = lock.read_text(encoding="utf-8")
    kept = store / "for-the-lock.txt"
    if not (kept.exists() and kept.read_text(encoding="utf-8") == stamp):
        shutil.rmtree(store, ignore_errors=True)
        shutil.copy(lock, board.root / "srv/lock.txt")
        fetched = board.chroot(
            "python3", "-m", "pip", "download", "--quiet", "--dest", "/srv/wheels", "--no-deps",
            "--only-binary", ":all:", "--require-hashes", "-r", "/srv/lock.txt", network=True,
        )  # fmt: skip
        if fetched.returncode:
            raise NotTriedError(f"its Python packages cannot be fetched: {fetched.stderr[-200:]}")
        shutil.copytree(board.root / "srv/wheels", store)
        kept.write_text(stamp, encoding="utf-8")
    shutil.rmtree(board.root / "srv/wheels", ignore_errors=True)
    shutil.copytree(store, board.root / "srv/wheels")
    return f"{len(list(store.glob('*.whl')))} packages"


def boots(trial: Trial) -> str:
    board = trial.board
    source = board.root / "srv/source"
    source.mkdir()
    listed = subprocess.run(
        ["git", "-C", str(REPOSITORY), "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    for name in filter(None, listed.stdout.split("\0")):
        if name.startswith("tests/") or not (REPOSITORY / name).is_file():
            continue
        (source / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(REPOSITORY / name, source / name)
    shutil.copytree(trial.folder.parent / "frames", board.root / "srv/frames")
    for library in ("picamera2.py", "libcamera.py"):
        shutil.copy(
            Path(__file__).with_name("guest") / library,
            board.root / "usr/lib/python3/dist-packages" / library,
        )
    (board.root / CERTIFICATES).parent.mkdir(parents=True, exist_ok=True)
    board.boot()
    return board.says("systemctl --version").splitlines()[0]


def installs(trial: Trial) -> str:
    said = ok(
        trial.board.run("WHEELS=/srv/wheels /srv/source/tools/install --no-apt", within_s=900), "install"
    )
    must("Not started" in said, "the sample files were started")
    return "installed; the sample files wait for their owner"


def sample_start(trial: Trial) -> str:
    """A newcomer starts it with the sample files all the same: refused with the reason, once."""
    trial.board.run("systemctl start dooryard")
    trial.until("failed", lambda: trial.show("ActiveState") == "failed", 60)
    status = trial.show("ExecMainStatus")
    must(status == "7", f"exit status {status}: {trial.last_words()}")
    must(not trial.board.says(f"cat {LAST_RESORT}/restarts"), "it counts as a reason to restart the board")
    said = trial.board.says("journalctl -q -u dooryard -o cat")
    must("phone-secret" in said, "the missing secret is not named")
    trial.board.run("systemctl reset-failed dooryard")
    return "ends with 7, names the missing secret, no restart"


def gets_ready(trial: Trial) -> str:
    board = trial.board
    for name, text in {
        "etc/dooryard/box.toml": BOX,
        "etc/dooryard/policy.toml": POLICY,
        "etc/dooryard/secrets/phone-secret": f"{SECRET}\n",
        "etc/systemd/system/dooryard.service.d/override.conf": (
            "[Service]\nLoadCredential=phone-secret:/etc/dooryard/secrets/phone-secret\n"
        ),
    }.items():
        (board.root / name).parent.mkdir(parents=True, exist_ok=True)
        (board.root / name).write_text(text, encoding="utf-8")
    trial.stand_outside("resolver", "questions")
    trial.stand_outside("receiver", "taken")
    trial.tried = board.tries_elsewhere()
    board.run(
        "chgrp dooryard /etc/dooryard/*.toml; chmod 600 /etc/dooryard/secrets/*; systemctl daemon-reload"
    )
    ok(board.run("/opt/dooryard/bin/dooryard check /etc/dooryard/*.toml"), "check")
    ok(board.run("systemctl start dooryard"), "start")
    took_s = trial.until_active()
    return f"active after {took_s:.0f} s; {trial.show('StatusText')}"


def tells(trial: Trial) -> str:
    """The credential signs: another's library verifies it."""
    trial.until("a visit told", lambda: any("io.dooryard.visit" in note["body"] for note in trial.taken), 200)
    for note in trial.taken:
        Webhook(SECRET).verify(note["body"], {key.lower(): value for key, value in note["headers"].items()})
    return f"{len(trial.taken)} webhooks, each signature verified"


def is_locked_up(trial: Trial) -> str:
    board, pid = trial.board, trial.show("MainPID")
    status = board.says(f"grep -E '^(NoNewPrivs|Seccomp|CapEff|CapBnd|Uid)' /proc/{pid}/status")
    wanted = {"NoNewPrivs": "1", "Seccomp": "2", "CapEff": "0" * 16, "CapBnd": "0" * 16}
    found = {line.split(":")[0]: line.split()[1] for line in status.splitlines()}
    must(wanted.items() <= found.items(), f"not as the unit says: {found}")
    must(found["Uid"] != "0", "it runs as root")
    must(not board.says(f"grep ' rwxp ' /proc/{pid}/maps"), "memory is writable and executable")
    must(board.says(f"grep -c onnxruntime /proc/{pid}/maps") != "0", "the real runtime is not loaded")
    level = board.says("systemd-analyze security dooryard.service | tail -n 1")
    peak = trial.show("MemoryPeak")  # since systemd 256
    memory = f"; {int(peak) // 2**20} MiB at most" if peak.isdigit() else ""
    return f"real runtime, no capability, filtered; {level.lstrip('→ ')}{memory}"


def reloads(trial: Trial) -> str:
    board, pid = trial.board, trial.show("MainPID")
    board.run("echo 'not toml [' >>/etc/dooryard/policy.toml")
    ok(board.run("systemctl reload dooryard"), "reload")
    trial.until("refused", lambda: "the old one" in trial.log() or "old policy" in trial.log(), 20)
    (board.root / "etc/dooryard/policy.toml").write_text(POLICY, encoding="utf-8")
    ok(board.run("systemctl reload dooryard"), "reload")
    time.sleep(2)
    must(trial.show("MainPID") == pid, "it was started again")
    return "a wrong policy is refused, the process stays"


def restarts(trial: Trial) -> str:
    pid = trial.show("MainPID")
    ok(trial.board.run("systemctl restart dooryard"), "restart")
    took_s = trial.until_active(not_pid=pid)
    ok(trial.board.run("systemctl stop dooryard"), "stop")
    result = trial.show("Result")
    must(result == "success", f"the stop ended as {result}")
    ok(trial.board.run("systemctl start dooryard"), "start")
    trial.until_active()
    return f"restarted within {took_s:.0f} s, stopped with success, started"


def has_no_network(trial: Trial) -> str:
    """The receiver goes; what is to be told waits; it comes back, and everything arrives once."""
    before = len(trial.taken)
    trial.leave("receiver")
    trial.board.run("systemctl restart dooryard")
    trial.until_active()
    time.sleep(20)
    trial.stand_outside("receiver", "taken")
    took_s = trial.until("delivered", lambda: len(trial.taken) > before + 1, 120)
    ids = [note["headers"]["webhook-id"] for note in trial.taken]
    must(len(ids) == len(set(ids)), "something was told twice")
    return f"what waited arrived {took_s:.0f} s after the receiver came back, nothing twice"


def calls_nobody(trial: Trial) -> str:
    """Everything so far asked for no name, and sent nothing to anywhere but the receiver."""
    board = trial.board
    asked, away = trial.questions, board.tries_elsewhere()
    must(not asked, f"names were looked up: {sorted(set(asked))}")
    must(away == trial.tried, f"{away - trial.tried} tries to reach another machine")
    board.run("getent hosts control.alder-row.example; echo x >/dev/udp/192.0.2.99/9")
    must("control.alder-row.example" in trial.questions, "the resolver does not see a question")
    must(board.tries_elsewhere() > away, "a try to reach another machine is not seen")
    return "no look-up, no try to reach another machine (a control of each was seen)"


def halts(trial: Trial) -> str:
    """The way that the button goes: visits ended, stored and told, and logind asked by the service."""
    board = trial.board
    box = BOX.replace('script = "0:30.0"', 'script = "0:30.0 20:30.0 21:90.0"')
    (board.root / "etc/dooryard/box.toml").write_text(box, encoding="utf-8")
    board.run("systemctl restart dooryard")
    must(board.wait_for_end(120), f"the board did not go off: {trial.last_words()}")
    (board.root / "etc/dooryard/box.toml").write_text(BOX, encoding="utf-8")
    for which in list(trial.outside):
        trial.leave(which)
    board.boot()
    said = board.says("journalctl -q -b -1 -u dooryard -o cat -n 40")
    must("halting" in said, "the log does not tell of the halt")
    trial.until_active()
    return "the board went off by itself; watching again after the next boot"


def uninstalls(trial: Trial) -> str:
    board = trial.board
    said = ok(board.run("/srv/source/tools/uninstall"), "uninstall")
    must(
        board.says("ls /etc/dooryard/policy.toml /var/lib/dooryard/dooryard.sqlite3 | wc -l") == "2",
        "data is gone",
    )
    said = ok(board.run("/srv/source/tools/uninstall --data-too"), "uninstall with the data")
    left = board.says(
        "find / -xdev \\( -path /proc -o -path /srv -o -path /sys -o -path /var/log -o -path /tmp \\) -prune "
        "-o -name '*dooryard*' -print"
    )
    must(not left, f"left: {left}")
    must(not board.says("grep -E '^(dooryard|gpio|i2c):' /etc/passwd /etc/group"), "a user or group is left")
    listed = "systemctl list-units --all --no-legend --plain 'dooryard*'"
    # The service manager drops a unit whose file is gone once nothing is left of it, which may take a moment.
    trial.until("forgotten by the service manager", lambda: not board.says(listed), 30)
    return said.splitlines()[-1]
