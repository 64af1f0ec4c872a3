"""A program, not a test: runs the service's heavy parts under the unit's own restrictions, and says so.

    python under_filter.py UNIT_FILE [memory]

Applies to itself, through libseccomp, what the service manager applies: the unit's SystemCallFilter, and
its MemoryDenyWriteExecute in both forms that are in use (systemd.exec(5)): as system call rules (systemd
252) and as prctl(PR_SET_MDWE) (systemd 253 and later, Linux 6.3 and later). Then it classifies, writes a
database, and starts a thread. With "memory" it asks for forbidden memory instead, to show that they bite.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import mmap
import re
import sqlite3
import subprocess
import sys
import tempfile
import threading
from pathlib import Path

ALLOW = 0x7FFF0000  # SCMP_ACT_ALLOW, seccomp.h
REFUSE = 0x00050000 | 1  # SCMP_ACT_ERRNO(EPERM)
EQUAL_UNDER_MASK = 7  # SCMP_CMP_MASKED_EQ
PR_SET_MDWE, REFUSE_EXEC_GAIN = 65, 1  # linux/prctl.h
PROT_WRITE, PROT_EXEC, SHM_EXEC = 2, 4, 0o100000


class Condition(ctypes.Structure):
    """struct scmp_arg_cmp."""

    _fields_ = (
        ("arg", ctypes.c_uint),
        ("op", ctypes.c_int),
        ("a", ctypes.c_uint64),
        ("b", ctypes.c_uint64),
    )


def library() -> ctypes.CDLL:
    name = ctypes.util.find_library("seccomp")
    if name is None:
        sys.exit("libseccomp is not installed")
    found = ctypes.CDLL(name, use_errno=True)
    found.seccomp_init.restype = ctypes.c_void_p
    found.seccomp_init.argtypes = [ctypes.c_uint32]
    found.seccomp_load.argtypes = [ctypes.c_void_p]
    found.seccomp_syscall_resolve_name.argtypes = [ctypes.c_char_p]
    found.seccomp_rule_add_array.argtypes = [
        ctypes.c_void_p, ctypes.c_uint32, ctypes.c_int, ctypes.c_uint, ctypes.POINTER(Condition),
    ]  # fmt: skip
    return found


def calls_in(group: str) -> set[str]:
    """The system calls of a group such as "@system-service", its sub-groups included."""
    listed = subprocess.run(
        ["systemd-analyze", "syscall-filter", group], check=True, capture_output=True, text=True
    )
    found: set[str] = set()
    for line in listed.stdout.splitlines():
        word = line.strip()
        if word == group or not word or word.startswith("#"):
            continue
        found |= calls_in(word) if word.startswith("@") else {word}
    return found


def allowed_by(unit: str) -> set[str]:
    """What the unit's SystemCallFilter lines leave: the first allows, "~" takes away."""
    allowed: set[str] = set()
    for line in re.findall(r"^SystemCallFilter=(.+)$", unit, re.MULTILINE):
        takes = line.startswith("~")
        for word in line.lstrip("~").split():
            calls = calls_in(word) if word.startswith("@") else {word}
            allowed = allowed - calls if takes else allowed | calls
    return allowed


def load(found: ctypes.CDLL, default: int, rules: list[tuple[str, list[Condition]]], action: int) -> int:
    context = found.seccomp_init(default)
    added = 0
    for name, conditions in rules:
        number = found.seccomp_syscall_resolve_name(name.encode())
        array = (Condition * len(conditions))(*conditions)
        if number >= 0 and found.seccomp_rule_add_array(context, action, number, len(conditions), array) == 0:
            added += 1
    if found.seccomp_load(context) != 0:
        sys.exit("the filter was not loaded")
    return added


def restrict(unit: str) -> None:
    found = library()
    allowed = allowed_by(unit)
    if ctypes.CDLL(None, use_errno=True).prctl(PR_SET_MDWE, REFUSE_EXEC_GAIN, 0, 0, 0) == 0:
        print("prctl(PR_SET_MDWE): set")
    both = PROT_WRITE | PROT_EXEC
    memory = [
        ("mmap", [Condition(2, EQUAL_UNDER_MASK, both, both)]),
        ("mprotect", [Condition(2, EQUAL_UNDER_MASK, PROT_EXEC, PROT_EXEC)]),
        ("pkey_mprotect", [Condition(2, EQUAL_UNDER_MASK, PROT_EXEC, PROT_EXEC)]),
        ("shmat", [Condition(2, EQUAL_UNDER_MASK, SHM_EXEC, SHM_EXEC)]),
    ]
    print("memory rules:", load(found, ALLOW, memory, REFUSE))
    print("calls allowed:", load(found, REFUSE, [(name, []) for name in sorted(allowed)], ALLOW))


def work() -> None:
    import numpy as np

    from dooryard.classify.onnx import OnnxClassifier
    from dooryard.core.records import Box, Frame
    from helpers import moment

    classifier = OnnxClassifier(None, threads=1)
    classifier.warm_up()
    grey = np.full((240, 320), 90, np.uint8)
    at = moment(0)
    frame = Frame(1, at.wall, at.mono_s, grey, lambda: np.repeat(grey[..., None], 3, axis=2))
    print("classified:", len(classifier.look(frame, [Box(0.2, 0.2, 0.8, 0.8)])))
    with tempfile.TemporaryDirectory() as folder, sqlite3.connect(Path(folder) / "a.sqlite3") as database:
        database.execute("PRAGMA journal_mode=WAL")
        database.execute("CREATE TABLE t (x)")
    thread = threading.Thread(target=lambda: print("thread: ran"))
    thread.start()
    thread.join()


def ask_for_forbidden_memory() -> None:
    try:
        mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC)
    except OSError as error:
        print("refused:", error.strerror)
    else:
        print("given")


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))
    restrict(Path(sys.argv[1]).read_text(encoding="utf-8"))
    if sys.argv[2:] == ["memory"]:
        ask_for_forbidden_memory()
    else:
        work()
