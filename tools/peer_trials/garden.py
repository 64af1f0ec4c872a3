"""What a trial of publishing has: a journal, a place to publish to, and the servers of both ends."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path

from dooryard.sinks.pages import LIST
from dooryard.sinks.publish import PublishSink
from dooryard.sinks.remote import Host
from peer_trials.case import ALERT, PICTURE, NotTriedError, Seen
from peer_trials.nginx import Nginx, nginx
from peer_trials.openssh import OpenSsh, openssh

PAGE, SHOT = "index.html", "day/a wren's picture.jpg"


@dataclass
class Hosts:
    """The servers that the trials of publishing need; `site` is None where nginx cannot run."""

    ssh: OpenSsh
    site: Nginx | None


@contextmanager
def hosts() -> Iterator[Hosts]:
    """Run while the block lasts. Raises `NotTriedError` where they cannot."""
    with openssh() as ssh, ExitStack() as others:
        site = None
        with suppress(NotTriedError):
            site = others.enter_context(nginx())
        yield Hosts(ssh, site)


@dataclass
class Garden:
    """A journal to publish, and where to; both are the trial's own."""

    journal: Path
    web: Path
    hosts: Hosts

    @property
    def host(self) -> Host:
        return replace(self.hosts.ssh.host, folder=str(self.web))

    def send(self, target: Host | Path | None = None, *, remove_gone: bool = False) -> Seen:
        target = self.host if target is None else target
        sink = PublishSink("web", self.journal, target, remove_gone=remove_gone)
        return Seen(sink.send(ALERT, None))

    def there(self) -> dict[str, bytes]:
        files = [path for path in self.web.rglob("*") if path.is_file() and path.name != LIST]
        return {path.relative_to(self.web).as_posix(): path.read_bytes() for path in files}


Trial = Callable[[Garden], Seen]


def in_garden(trial: Trial) -> Callable[[Hosts], Seen]:
    """With a journal whose own modes are closed, as the daemon writes it, and a place to publish to."""

    def run(place: Hosts) -> Seen:
        with tempfile.TemporaryDirectory(prefix="dooryard-publish-") as made:
            top = Path(made)
            top.chmod(0o755)
            journal = top / "journal"
            (journal / "day").mkdir(parents=True)
            (journal / PAGE).write_text("<p>Alder Row</p>")
            (journal / SHOT).write_bytes(PICTURE)
            (journal / ".journal.json").write_text("{}")
            for path in journal.rglob("*"):
                path.chmod(0o750 if path.is_dir() else 0o640)
            return trial(Garden(journal, top / "web", place))

    return run


def pages(garden: Garden) -> dict[str, bytes]:
    return {PAGE: (garden.journal / PAGE).read_bytes(), SHOT: PICTURE}


def with_problems(seen: Seen, *problems: str | None) -> Seen:
    return replace(seen, problem=seen.problem or next((each for each in problems if each), None))


def same_there(garden: Garden, mine: dict[str, bytes] | None = None) -> str | None:
    right, there = pages(garden) | (mine or {}), garden.there()
    return None if there == right else f"there are {sorted(there)}, must be {sorted(right)}"
