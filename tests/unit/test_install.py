"""tools/install and tools/uninstall: by dry run, and into a small file system of the test's own.

What these do not try is fetching packages and making the virtual environment, which needs the network and
minutes: `tools/try_install` does, in a Debian system that it makes.
"""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest

REPOSITORY = Path(__file__).parents[2]
INSTALL, UNINSTALL = REPOSITORY / "tools/install", REPOSITORY / "tools/uninstall"
TRY = REPOSITORY / "tools/try_install"
BOOKWORM = 'ID=debian\nVERSION_CODENAME=bookworm\nPRETTY_NAME="Debian GNU/Linux 12"\n'
pytestmark = pytest.mark.process


def run(script: Path, *words: str, **environ: str) -> subprocess.CompletedProcess[str]:
    defaults = {"DOORYARD_BITS": "64", "DOORYARD_MACHINE": "aarch64"}
    return subprocess.run(
        [str(script), *words],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=os.environ | defaults | environ,
    )


@pytest.fixture
def release(tmp_path: Path) -> Path:
    path = tmp_path / "os-release"
    path.write_text(BOOKWORM, encoding="utf-8")
    return path


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """A file system with as little in it as these scripts need."""
    if os.geteuid() != 0 or not shutil.which("systemd-sysusers"):
        pytest.skip("needs root and systemd's tools: installing into a file system is NOT tried")
    folder = tmp_path / "root"
    (folder / "etc").mkdir(parents=True)
    (folder / "etc/os-release").write_text(BOOKWORM, encoding="utf-8")
    (folder / "etc/passwd").write_text("root:x:0:0::/root:/bin/sh\n", encoding="utf-8")
    (folder / "etc/group").write_text("root:x:0:\n", encoding="utf-8")
    return folder


def tree(folder: Path) -> dict[str, tuple[int, int, bytes]]:
    """Every file's mode, group and content (accounts' change times aside)."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not path.is_symlink() and path.name not in ("shadow", "passwd-", "group-"):
            status = path.stat()
            found[str(path.relative_to(folder))] = (
                stat.S_IMODE(status.st_mode),
                status.st_gid,
                path.read_bytes(),
            )
    return found


def test_a_dry_run_shows_the_steps_and_does_none(release: Path, tmp_path: Path):
    before = tree(tmp_path), Path("/opt/dooryard").exists()
    ran = run(INSTALL, "--dry-run", DOORYARD_OS_RELEASE=str(release))
    assert (ran.returncode, ran.stderr) == (0, "")
    assert (tree(tmp_path), Path("/opt/dooryard").exists()) == before
    steps = [line for line in ran.stdout.splitlines() if line.startswith("would run:")]
    wanted = ("apt-get install", "python3-picamera2", "--system-site-packages", "pip install", "last-resort",
              "systemd-sysusers", "systemd-tmpfiles", "enable dooryard.service", "daemon-reload",
              "dooryard check")  # fmt: skip
    places = [next(n for n, step in enumerate(steps) if word in step) for word in wanted]
    assert places == sorted(places)
    packages, project = (step for step in steps if "pip install" in step)
    assert "--require-hashes" in packages
    assert packages.endswith("/systemd/lock-3.11.txt")
    assert "--no-build-isolation" in project
    for step in (packages, project):
        assert "--no-deps" in step  # the system's numpy stays
    # A first install starts nothing: the sample files are not yet the owner's.
    assert "restart dooryard.service" not in ran.stdout
    assert "Not started" in ran.stdout


def test_each_release_has_its_lock_and_a_folder_of_packages_needs_no_network(release: Path, tmp_path: Path):
    release.write_text("VERSION_CODENAME=trixie\n")
    ran = run(INSTALL, "--dry-run", DOORYARD_OS_RELEASE=str(release), WHEELS=str(tmp_path))
    steps = [line for line in ran.stdout.splitlines() if "pip install" in line]
    assert "lock-3.13.txt" in steps[0]
    assert f"--find-links {tmp_path}" in steps[0]
    assert all("--no-index" in step for step in steps)


@pytest.mark.parametrize(("bits", "machine"), [("32", "armv7l"), ("32", "aarch64")])
def test_32_bits_are_refused_with_the_reason(release: Path, bits: str, machine: str):
    ran = run(
        INSTALL, "--dry-run", DOORYARD_OS_RELEASE=str(release), DOORYARD_BITS=bits, DOORYARD_MACHINE=machine
    )
    assert ran.returncode == 1
    assert ran.stdout == ""
    assert ran.stderr == (
        f"install: this system is a 32-bit one (kernel: {machine})\n"
        "  to do: write a 64-bit system to the card: "
        "the classifier's runtime has no packages for 32-bit boards\n"
    )


def test_a_system_that_was_never_tried_is_refused(release: Path):
    release.write_text("VERSION_CODENAME=bullseye\n")
    ran = run(INSTALL, "--dry-run", DOORYARD_OS_RELEASE=str(release))
    assert ran.returncode == 1
    assert 'this system is "bullseye", which was never tried' in ran.stderr
    assert run(INSTALL, "--dry-run", DOORYARD_OS_RELEASE="/nonexistent").returncode == 1


@pytest.mark.parametrize("script", [INSTALL, UNINSTALL])
@pytest.mark.parametrize("words", [["--now"], ["--root"]])
def test_what_is_not_understood_is_refused(script: Path, words: list[str]):
    ran = run(script, *words)
    assert ran.returncode == 1
    assert "to do:" in ran.stderr


def test_installing_into_a_file_system(root: Path):
    ran = run(INSTALL, "--root", str(root))
    assert ran.returncode == 0, ran.stderr
    files = tree(root)
    group = next(
        int(line.split(":")[2])
        for line in (root / "etc/group").read_text().splitlines()
        if line.startswith("dooryard:")
    )
    assert files["etc/dooryard/box.toml"][:2] == (0o640, group)
    assert files["etc/dooryard/policy.toml"][:2] == (0o640, group)
    assert files["opt/dooryard/libexec/last-resort"][0] == 0o755
    assert "etc/polkit-1/rules.d/50-dooryard.rules" in files
    assert (root / "etc/dooryard/secrets").stat().st_mode & 0o777 == 0o700
    wants = root / "etc/systemd/system"
    units = "/usr/local/lib/systemd/system"
    service = wants / "multi-user.target.wants/dooryard.service"
    timer = wants / "timers.target.wants/dooryard-retry.timer"
    assert str(service.readlink()) == f"{units}/dooryard.service"
    assert str(timer.readlink()) == f"{units}/dooryard-retry.timer"


def test_installing_again_changes_nothing(root: Path):
    assert run(INSTALL, "--root", str(root)).returncode == 0
    before = tree(root)
    ran = run(INSTALL, "--root", str(root))
    assert ran.returncode == 0, ran.stderr
    assert tree(root) == before


def lived_in(root: Path) -> dict[str, bytes]:
    """What an owner and months of running leave behind."""
    mine = {
        "etc/dooryard/box.toml": b'name = "mine"\n',
        "etc/dooryard/policy.toml": b"# mine\n",
        "etc/dooryard/secrets/phone-secret": b"thistle\n",
        "etc/systemd/system/dooryard.service.d/override.conf": b"[Service]\nLoadCredential=a:/b\n",
        "var/lib/dooryard/dooryard.sqlite3": b"visits",
    }
    for name, content in mine.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(content)
    return mine


def test_an_upgrade_keeps_state_policy_box_file_secrets_and_drop_ins(root: Path):
    assert run(INSTALL, "--root", str(root)).returncode == 0
    mine = lived_in(root)
    unit = root / "usr/local/lib/systemd/system/dooryard.service"
    unit.write_text("of an older version\n")
    ran = run(INSTALL, "--root", str(root))
    assert ran.returncode == 0, ran.stderr
    assert {name: (root / name).read_bytes() for name in mine} == mine
    assert unit.read_bytes() == (REPOSITORY / "systemd/dooryard.service").read_bytes()
    assert stat.S_IMODE((root / "etc/dooryard/secrets/phone-secret").stat().st_mode) == 0o600


def test_uninstalling_leaves_the_data(root: Path):
    run(INSTALL, "--root", str(root))
    mine = lived_in(root)
    ran = run(UNINSTALL, "--root", str(root))
    assert ran.returncode == 0, ran.stderr
    assert {name: (root / name).read_bytes() for name in mine} == mine
    left = set(tree(root)) - mine.keys()
    kept = ("etc/sysusers.d/", "var/lib/dooryard-install/groups")  # until the user and the groups go
    assert not [name for name in left if "dooryard" in name and not name.startswith(kept)], left
    assert "etc/systemd/system/dooryard.service.d" in ran.stdout
    assert not (root / "opt/dooryard").exists()
    assert not list((root / "etc/systemd/system").rglob("dooryard*.timer"))
    assert run(UNINSTALL, "--root", str(root)).returncode == 0  # again: nothing to do


def test_uninstalling_with_the_data_leaves_nothing(root: Path):
    before = {name for name in tree(root) if name not in ("etc/passwd", "etc/group")}
    run(INSTALL, "--root", str(root))
    lived_in(root)
    ran = run(UNINSTALL, "--root", str(root), "--data-too", "--dry-run")
    assert ran.returncode == 0, ran.stderr
    assert "userdel" in ran.stdout
    assert (root / "etc/dooryard/box.toml").exists()  # it was a dry run
    if not shutil.which("userdel"):
        pytest.skip("userdel is not installed: removing the user is NOT tried")
    ran = run(UNINSTALL, "--root", str(root), "--data-too")
    assert ran.returncode == 0, ran.stderr
    left = {name for name in tree(root) if "dooryard" in name}
    assert left <= before, left
    for path in ("etc/passwd", "etc/group"):
        assert not [name for name in ("dooryard", "gpio", "i2c") if name in (root / path).read_text()]


@pytest.mark.skipif(not shutil.which("groupdel"), reason="groupdel is missing: removing groups is NOT tried")
def test_groups_that_were_there_before_stay(root: Path):
    with (root / "etc/group").open("a") as groups:
        groups.write("gpio:x:997:\n")
    run(INSTALL, "--root", str(root))
    lines = (root / "etc/group").read_text().splitlines()
    text = "\n".join(f"{line}ada" if line.startswith("i2c:") else line for line in lines)
    (root / "etc/group").write_text(f"{text.replace('dooryardada', 'dooryard,ada')}\n")
    ran = run(UNINSTALL, "--root", str(root), "--data-too")
    assert ran.returncode == 0, ran.stderr
    left = [line.split(":")[0] for line in (root / "etc/group").read_text().splitlines()]
    assert "gpio" in left
    assert "i2c" in left  # somebody else joined it
    assert "Kept: the group i2c" in ran.stdout


def test_what_the_long_trial_cannot_try_it_says_aloud():
    as_nobody = ["setpriv", "--reuid=65534", "--clear-groups"] if os.geteuid() == 0 else []
    if as_nobody and not shutil.which("setpriv"):
        pytest.skip("setpriv is missing: running as nobody is NOT tried")
    with TRY.open() as script:  # by a way that nobody can go, wherever this stands
        ran = subprocess.run(
            [*as_nobody, "bash", "-s"], stdin=script, cwd="/", capture_output=True, text=True, check=False
        )
    assert (ran.returncode, ran.stdout) == (77, "")
    assert ran.stderr.startswith("NOT TRIED: only root")


def test_the_boards_own_packages_are_fetched_only_where_there_are_any(release: Path):
    """Debian itself has no python3-lgpio and no python3-picamera2 (seen in Debian 13)."""
    ran = run(INSTALL, "--dry-run", DOORYARD_OS_RELEASE=str(release))
    fetched = [line for line in ran.stdout.splitlines() if "apt-get install" in line]
    assert len(fetched) == 3
    assert "python3-lgpio" not in fetched[0]
    assert "python3-picamera2" not in fetched[0]


def test_the_scripts_are_clean_to_shellcheck():
    places = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    shellcheck = shutil.which("shellcheck", path=places)
    if shellcheck is None:
        pytest.skip("shellcheck is not installed: the scripts are NOT checked by it")
    scripts = [
        INSTALL,
        UNINSTALL,
        TRY,
        REPOSITORY / "tools/lock",
        REPOSITORY / "systemd/last-resort",
        Path(__file__).with_name("ask_polkit.sh"),
    ]
    ran = subprocess.run(
        [shellcheck, *map(str, scripts)], capture_output=True, text=True, check=False, timeout=60
    )
    assert ran.stdout == ""
