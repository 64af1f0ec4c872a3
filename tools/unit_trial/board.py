"""A board of its own: a Debian system booted in a container, with a network of its own that leads nowhere.

The network is loopback alone: the kernel counts who tries to reach more (`tries_elsewhere`). Names are asked
of a resolver that writes down the question.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

SUITES = {"bookworm": "3.11", "trixie": "3.13"}  # and its Python
PACKAGES = (
    "ca-certificates,systemd,systemd-sysv,dbus,polkitd,python3,python3-venv,python3-pip,python3-numpy,"
    "python3-gpiozero,rsync,openssh-client,iproute2,procps,util-linux"
)
CLEAN = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LC_ALL": "C.UTF-8", "SYSTEMD_COLORS": "0"}
CERTIFICATES = "etc/ssl/certs/ca-certificates.crt"
BOOT_S = 120.0
RESTART = 133  # systemd-nspawn(1), "exit status": the container asked for a restart


class NotTriedError(Exception):
    """Why this cannot be tried here."""


def cache() -> Path:
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(base) / "dooryard-try"


def system_tar(suite: str) -> Path:
    """The system as a tar, made once. Raises NotTriedError."""
    tar = cache() / f"{suite}.tar"
    if tar.exists():
        return tar
    if not shutil.which("mmdebstrap"):
        raise NotTriedError("mmdebstrap is missing (apt install mmdebstrap)")
    tar.parent.mkdir(parents=True, exist_ok=True)
    half = tar.with_suffix(".part.tar")
    made = subprocess.run(
        ["mmdebstrap", "--quiet", "--variant=minbase", f"--include={PACKAGES}", suite, str(half)],
        stdout=sys.stderr,
        check=False,
    )
    if made.returncode:
        half.unlink(missing_ok=True)
        raise NotTriedError(f"mmdebstrap could not make a {suite} system here")
    half.rename(tar)
    return tar


class Board:
    """One system in a folder: `boot`, `run` commands in it, `off`."""

    def __init__(self, suite: str, folder: Path) -> None:
        self.suite = suite
        self.root = folder / "root"
        self._folder = folder
        self._nspawn: subprocess.Popen[bytes] | None = None

    def unpack(self) -> None:
        self.root.mkdir(parents=True)
        subprocess.run(
            ["tar", "-C", str(self.root), "-xf", str(system_tar(self.suite)), "--exclude=./dev/*"], check=True
        )
        (self.root / "etc/resolv.conf").unlink(missing_ok=True)
        (self.root / "etc/hostname").write_text("board\n", encoding="utf-8")

    def chroot(self, *words: str, network: bool = False) -> subprocess.CompletedProcess[str]:
        """Run a program of the system before it is booted; `network`: with this machine's network."""
        settings = dict(CLEAN)
        if network:
            for name in (
                "etc/resolv.conf",
                CERTIFICATES,
            ):  # of a mirror's own authority
                shutil.copy(Path("/") / name, self.root / name)
            settings |= {key: value for key, value in os.environ.items() if key.startswith("PIP_")}
            settings |= {"PIP_CERT": f"/{CERTIFICATES}", "PIP_FIND_LINKS": ""}
        ran = subprocess.run(
            ["chroot", str(self.root), *words], env=settings, capture_output=True, text=True, check=False
        )
        (self.root / "etc/resolv.conf").unlink(missing_ok=True)
        return ran

    def boot(self) -> None:
        """Start it and wait until its service manager is up. Raises NotTriedError."""
        if not shutil.which("systemd-nspawn"):
            raise NotTriedError("systemd-nspawn is missing (apt install systemd-container)")
        (self.root / "etc/resolv.conf").write_text("nameserver 127.0.0.1\n", encoding="utf-8")
        with (self._folder / "console.log").open("ab") as console:
            self._nspawn = subprocess.Popen(
                ["systemd-nspawn", "--register=no", "--keep-unit", "-q", "-b", "-D", str(self.root), "-M",
                 f"board-{self.suite}-{os.getpid()}", "--private-network", "--console=pipe",
                 "--resolv-conf=off", "--timezone=off", "--link-journal=no"],
                env={**os.environ, "SYSTEMD_NSPAWN_UNIFIED_HIERARCHY": "1"},
                stdin=subprocess.DEVNULL, stdout=console, stderr=console, start_new_session=True,
            )  # fmt: skip
        self.wait_until_up()

    def wait_until_up(self) -> None:
        until_s = time.monotonic() + BOOT_S
        while time.monotonic() < until_s:
            if self._nspawn is not None and self._nspawn.poll() is not None:
                break
            state = self.run("systemctl is-system-running") if self.leader() else None
            if state is not None and state.stdout.strip() in ("running", "degraded"):
                self._network()
                return
            time.sleep(0.5)
        log = (self._folder / "console.log").read_text(encoding="utf-8", errors="replace")
        raise NotTriedError(f"the container does not boot: {log[-300:]!r}")

    def leader(self) -> int | None:
        """The process that is number 1 in there; None while there is none."""
        if self._nspawn is None or self._nspawn.poll() is not None:
            return None
        children = Path(f"/proc/{self._nspawn.pid}/task/{self._nspawn.pid}/children")
        found = children.read_text(encoding="ascii").split() if children.exists() else []
        return int(found[0]) if found else None

    def inside(self, *words: str, network_only: bool = False) -> list[str]:
        """The command that runs `words` in there, or, `network_only`, out here on its network."""
        spaces = ["-n"] if network_only else ["-m", "-u", "-i", "-n", "-p", "-C"]
        settings = [] if network_only else ["env", "-i", *(f"{key}={value}" for key, value in CLEAN.items())]
        return ["nsenter", "-t", str(self.leader()), *spaces, *settings, *words]

    def run(self, script: str, *, within_s: float = 300.0) -> subprocess.CompletedProcess[str]:
        """Run a shell script as root in there."""
        return subprocess.run(
            self.inside("bash", "-c", f"cd /root; {script}"),
            capture_output=True, text=True, check=False, timeout=within_s, stdin=subprocess.DEVNULL,
        )  # fmt: skip

    def says(self, script: str) -> str:
        """What it prints, without the ends."""
        return self.run(script).stdout.strip()

    def _network(self) -> None:
        self.run("ip link set lo up")

    def tries_elsewhere(self) -> int:
        """How often somebody tried to reach another machine: there is no way, and the kernel counts it."""
        four = self.says(
            "awk '/^Ip: [0-9]/ {print $13}' /proc/net/snmp"
        )  # OutNoRoutes (RFC 4293 has its like)
        six = self.says("awk '/^Ip6OutNoRoutes/ {print $2}' /proc/net/snmp6")
        return int(four or 0) + int(six or 0)

    def condition(self) -> str:
        """What can be said where something went wrong: whether it is on, the service, its log."""
        console = self._folder / "console.log"
        said = console.read_text(encoding="utf-8", errors="replace") if console.exists() else ""
        if not self.on:
            lines = [f"the container has ended, exit status {self.exit_status}", *said.splitlines()[-6:]]
        else:
            wanted = "ActiveState,SubState,Result,ExecMainStatus,NRestarts,MainPID,MemoryCurrent,MemoryPeak"
            asked = self.run(
                f"systemctl show --property={wanted} dooryard.service | paste -sd ' ';"
                " journalctl -q -o short-monotonic -n 30 -u 'dooryard*'"
            )
            lines = [*asked.stdout.splitlines(), *asked.stderr.splitlines()]
        return "".join(f"          | {line[:200]}\n" for line in lines)

    @property
    def exit_status(self) -> int | None:
        """Of the container, once it has ended: 0 off, 133 a restart was asked for, -N ended by signal N."""
        return None if self._nspawn is None else self._nspawn.poll()

    @property
    def on(self) -> bool:
        """Whether it runs; a restart of the board ends it."""
        return self._nspawn is not None and self._nspawn.poll() is None

    def restarts(self, within_s: float) -> bool:
        """Whether it asked for a restart within that time; if so, it has been booted again."""
        if not self.wait_for_end(within_s) or self._nspawn is None or self._nspawn.returncode != RESTART:
            return False
        self.boot()
        return True

    def wait_for_end(self, within_s: float) -> bool:
        """Whether it went off by itself."""
        if self._nspawn is None:
            return True
        try:
            self._nspawn.wait(within_s)
        except subprocess.TimeoutExpired:
            return False
        return True

    def off(self) -> None:
        leader = self.leader()
        if self._nspawn is None:
            return
        if leader is not None:
            self.run("systemctl poweroff --force --force", within_s=20.0)
        if not self.wait_for_end(10.0):
            self._nspawn.kill()
            self._nspawn.wait()
