"""Every way the program stops, each with an exit code of its own and a remedy.

An error's text has two halves: what happened, and what to do about it. The
command line prints ``dooryard: WHAT`` and ``  to do: REMEDY`` and exits with the code.
"""

from __future__ import annotations


class DooryardError(Exception):
    """Base of all errors with a remedy. Raise one of its subclasses."""

    exit_code = 1

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.what}\n  to do: {self.remedy}"


class ConfigError(DooryardError):
    """A policy or box file has problems; ``what`` lists each as file:line: key: text."""

    exit_code = 3


class CameraError(DooryardError):
    """The camera is absent, busy, or gave up and did not come back."""

    exit_code = 4


class ModelError(DooryardError):
    """A classifier's file is missing, damaged, or not what its card says."""

    exit_code = 5


class StoreError(DooryardError):
    """The state folder cannot be read or written (full, read-only, damaged)."""

    exit_code = 6


class SinkError(DooryardError):
    """A sink cannot be set up (a secret missing, or readable by others), or took no trial message."""

    exit_code = 7


class AlreadyRunningError(DooryardError):
    """Another process holds the state folder."""

    exit_code = 8


class StuckError(DooryardError):
    """A part stopped answering and could not be brought back; the service ends itself."""

    exit_code = 9


EXIT_OK = 0
EXIT_USAGE = 2  # argparse's own


def exit_codes() -> dict[int, str]:
    """Exit code -> when it is used, for the README's table and its test."""
    found = {
        EXIT_OK: "All is well.",
        1: "The survey found a problem, or a bug: please report a bug.",
        EXIT_USAGE: "The command line was not understood.",
    }
    for kind in DooryardError.__subclasses__():
        found[kind.exit_code] = (kind.__doc__ or "").split(";")[0].split("\n")[0].rstrip(".") + "."
    return found
