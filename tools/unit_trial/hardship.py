"""Crashes, hangs and slow starts: what must restart the service, and what the board. As `walk`."""

from __future__ import annotations

import time

from unit_trial.trial import LAST_RESORT, FailedError, Trial, must, ok


def _unharmed(trial: Trial) -> None:
    must(trial.board.on, "THE BOARD WAS RESTARTED")
    must(not trial.board.says(f"cat {LAST_RESORT}/restarts"), "the last resort was run")


def is_killed(trial: Trial) -> str:
    pid = trial.show("MainPID")
    trial.board.run(f"kill -9 {pid}")
    took_s = trial.until_active(not_pid=pid)
    _unharmed(trial)
    return f"active again after {took_s:.0f} s, the board stays on"


def hangs(trial: Trial) -> str:
    pid = trial.show("MainPID")
    trial.board.run(f"kill -STOP {pid}")
    begun_s = time.monotonic()
    trial.until("ended by the watchdog", lambda: trial.show("MainPID") != pid, 120)
    ended_s = time.monotonic() - begun_s
    took_s = ended_s + trial.until_active(not_pid=pid)
    _unharmed(trial)
    return f"ended after {ended_s:.0f} s, active again after {took_s:.0f} s, the board stays on"


def starts_slowly(trial: Trial) -> str:
    """A start beyond the unit's limit, but getting on: it is given the time that it asks for."""
    board = trial.board
    drop_in = board.root / "etc/systemd/system/dooryard.service.d/slow.conf"
    # The limit is made short and the camera slow, so that this start, which asks for more, is beyond it.
    drop_in.write_text("[Service]\nTimeoutStartSec=10s\n", encoding="utf-8")
    board.run("echo 14 >/run/slow-camera; systemctl daemon-reload; systemctl reset-failed dooryard")
    begun_s = time.monotonic()
    ran = board.run("systemctl restart dooryard")
    took_s = time.monotonic() - begun_s
    drop_in.unlink()
    board.run("rm /run/slow-camera; systemctl daemon-reload")
    must(
        trial.show("Result") == "success", f"the start ended as {trial.show('Result')}: {trial.last_words()}"
    )
    ok(ran, "a slow start")
    must(took_s > 10, f"it took {took_s:.0f} s only")
    return f"{took_s:.0f} s where 10 s are the limit, as it asks for more"


def _crash_until_given_up(trial: Trial) -> int:
    """Kill each start once it is ready. Returns how many it took until the service manager had enough."""
    for crashes in range(1, 16):
        pid = trial.show("MainPID")
        trial.board.run(f"kill -9 {pid}")
        for _ in range(240):
            state = trial.show("ActiveState") if trial.board.on else ""
            if state in ("failed", ""):
                return crashes
            if state == "active" and trial.show("MainPID") not in ("0", pid):
                break
            time.sleep(0.5)
    raise FailedError("15 crashes and no end")


def _faster(trial: Trial) -> None:
    """The pause between two starts is made short; the limit of starts is the unit's own, three if quick."""
    drop_in = trial.board.root / "etc/systemd/system/dooryard.service.d/faster.conf"
    limit = "[Unit]\nStartLimitBurst=3\n" if trial.quick else ""
    drop_in.write_text(f"{limit}[Service]\nRestartSec=1s\n", encoding="utf-8")
    trial.board.run("systemctl daemon-reload")


def crashes_without_end(trial: Trial) -> str:
    """Each start gets ready, and crashes: one restart of the board for each ten, three at most."""
    board = trial.board
    _faster(trial)
    taken = []
    for count in (3,) if trial.quick else (1, 2, 3):
        if trial.quick:
            board.run(f"mkdir -p {LAST_RESORT}; echo 2 >{LAST_RESORT}/restarts")
        board.run("systemctl reset-failed dooryard; systemctl start dooryard")
        trial.until_active()
        taken.append(_crash_until_given_up(trial))
        must(board.restarts(90), "the board was not restarted")
        for which, file in (("resolver", "questions"), ("receiver", "taken")):
            trial.leave(which)
            trial.stand_outside(which, file)
        trial.until_active()
        counted = board.says(f"cat {LAST_RESORT}/restarts")
        must(counted == str(count), f"restart {count} is counted as {counted!r}, though it got ready")
    _crash_until_given_up(trial)
    told = "journalctl -q -b -u dooryard-last-resort -o cat"
    trial.until("left on", lambda: "leaving it on" in board.says(told), 60)
    must(board.on, "the board was restarted once more")
    limit = "a limit of 3 starts" if trial.quick else "the unit's own limit"
    told = f"restarts of the board after {', '.join(map(str, taken))} crashes ({limit})"
    return f"{told}; after three it is left on"


def settles(trial: Trial) -> str:
    """Two hours are not waited for: the tool is told that they went by, all else of it is real."""
    board = trial.board
    board.run("systemctl reset-failed dooryard; systemctl start dooryard")
    trial.until_active()
    tool = f"STATE_DIRECTORY={LAST_RESORT} /opt/dooryard/libexec/steady"
    must(
        board.says("systemctl is-active dooryard-steady.timer") == "active", "nobody looks whether it settles"
    )
    ok(board.run("systemctl start dooryard-steady.service"), "looking whether it has settled")
    must(board.says(f"cat {LAST_RESORT}/restarts") == "3", "the count was forgotten too early")
    up_s = float(board.says("cut -d ' ' -f 1 /proc/uptime"))
    (board.root / "srv/uptime").write_text(f"{up_s + 7300:.2f} 0.00\n", encoding="utf-8")
    ok(board.run(f"DOORYARD_UPTIME=/srv/uptime {tool}"), "looking again")
    must(not board.says(f"cat {LAST_RESORT}/restarts"), "the count was not forgotten")
    return "the count is kept before two hours, forgotten after"
