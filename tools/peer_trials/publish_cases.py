"""The trials of publishing: to OpenSSH with rsync, and to a folder, as a web server sees it."""

from __future__ import annotations

import shutil
import stat
from collections.abc import Callable
from dataclasses import replace

from dooryard.sinks.base import SendOutcome
from peer_trials.case import Case, NotTriedError, Seen
from peer_trials.garden import PAGE, SHOT, Garden, Hosts, Trial, in_garden, pages, same_there, with_problems
from peer_trials.openssh import (
    RUN,
    as_nobody,
    at_port,
    key,
    never_answers,
    on_a_disk,
    rrsync,
    without_rights,
)
from peer_trials.process import free_port, is_root

_SENT, _NOT, _NEVER = SendOutcome.SENT, SendOutcome.NOT_SENT, SendOutcome.REFUSED


def _delivered(garden: Garden) -> Seen:
    return with_problems(garden.send(), same_there(garden))


def _changed(garden: Garden) -> Seen:
    garden.send()
    (garden.journal / PAGE).write_text("<p>Alder Row, a day later</p>")
    return with_problems(garden.send(), same_there(garden))


def _seen_by_all(local: bool) -> Trial:
    """What the web server, which is another user, answers for each page."""

    def trial(garden: Garden) -> Seen:
        site = garden.hosts.site
        if site is None or not is_root():
            raise NotTriedError("nginx as another user than the publisher wants nginx and root")
        target = site.site / ("local" if local else "far")
        garden.web = target
        seen = garden.send(target if local else None)
        answers = {path: site.shown(f"/{target.name}/{path.replace(' ', '%20')}") for path in (PAGE, SHOT)}
        wrong = [f"{path}: {status}" for path, (status, body) in answers.items()
                 if status != 200 or body != pages(garden)[path]]  # fmt: skip
        return with_problems(seen, ", ".join(wrong))

    return trial


def _others_stay(local: bool) -> Trial:
    """What was there before, and what somebody puts beside the pages, stays."""

    def trial(garden: Garden) -> Seen:
        mine = {"mine.txt": b"mine", "day/mine.html": b"mine"}
        for name, data in mine.items():
            (garden.web / name).parent.mkdir(parents=True, exist_ok=True)
            (garden.web / name).write_bytes(data)
        target = garden.web if local else replace(garden.host, remove_gone=True)
        (garden.journal / "old.html").write_text("old")
        garden.send(target, remove_gone=local)
        came = "old.html" in garden.there()
        (garden.journal / "old.html").unlink()
        seen = garden.send(target, remove_gone=local)
        return with_problems(seen, None if came else "old.html never came", same_there(garden, mine))

    return trial


def _keeps_gone(garden: Garden) -> Seen:
    """Without `remove_gone` nothing is removed, not even our own."""
    (garden.journal / "old.html").write_text("old")
    garden.send()
    (garden.journal / "old.html").unlink()
    return with_problems(garden.send(), same_there(garden, {"old.html": b"old"}))


def _restricted(*options: str, remove_gone: bool = False, folder: str = "garden") -> Trial:
    """By a key that may do nothing but rsync, under one folder."""

    def trial(garden: Garden) -> Seen:
        own = garden.web.parent / "own folder"
        own.mkdir()
        (own / "mine.txt").write_text("mine")
        garden.web = own / "garden"
        host = replace(garden.host, folder=folder, remove_gone=remove_gone)
        with garden.hosts.ssh.key_may(rrsync(*options, str(own))):
            if garden.send(host).answer.outcome is SendOutcome.SENT:
                (garden.web / "day/mine.txt").write_text("mine")
                (garden.journal / "new.html").write_text("new")
            seen = garden.send(host)
        if seen.answer.outcome is not SendOutcome.SENT:
            return seen
        kept = (own / "mine.txt").read_text() == "mine"
        right = same_there(garden, {"day/mine.txt": b"mine", "new.html": b"new"})
        return with_problems(seen, right, None if kept else "a file of the owner's is gone")

    return trial


def _open_to_all(local: bool) -> Trial:
    """Readable for all, also what an earlier version left closed though nothing in it has changed."""

    def trial(garden: Garden) -> Seen:
        target = garden.web if local else None
        garden.send(target)
        (garden.web / PAGE).chmod(0o640)
        (garden.web / "day").chmod(0o750)
        seen = garden.send(target)
        modes = {path: stat.S_IMODE((garden.web / path).stat().st_mode) for path in (PAGE, SHOT, "day")}
        right = {PAGE: 0o644, SHOT: 0o644, "day": 0o755}
        return with_problems(seen, None if modes == right else f"modes: {modes}", same_there(garden))

    return trial


def _host_that(command: Callable[[Garden], str]) -> Trial:
    """A host that runs `command` in place of what it is asked for."""

    def trial(garden: Garden) -> Seen:
        with garden.hosts.ssh.key_may(command(garden)):
            return garden.send()

    return trial


def _full_disk(garden: Garden) -> str:
    garden.web.mkdir()
    return on_a_disk(garden.web, "size=64k")


def _read_only_disk(garden: Garden) -> str:
    garden.web.mkdir()
    return on_a_disk(garden.web, "ro")


def _no_rights_there(garden: Garden) -> str:
    garden.web = garden.web.parent / "closed/web"
    garden.web.parent.mkdir(mode=0o555)
    return as_nobody()


def _no_parent(garden: Garden) -> Seen:
    return garden.send(replace(garden.host, folder=str(garden.web / "not/there")))


def _a_file_there(garden: Garden) -> Seen:
    garden.web.write_text("mine")
    seen = garden.send()
    return with_problems(seen, None if garden.web.read_text() == "mine" else "the file is gone")


def _another_key(garden: Garden) -> Seen:
    key(garden.web.parent / "another")
    return garden.send(replace(garden.host, key=garden.web.parent / "another"))


def _changed_host_key(garden: Garden) -> Seen:
    of_another = " ".join(key(garden.web.parent / "another").split()[:2])
    known = garden.web.parent / "known"
    known.write_text(f"[127.0.0.1]:{garden.host.port} {of_another}\n")
    seen = garden.send(replace(garden.host, known_hosts=known))
    return with_problems(seen, "pages went there" if garden.there() else None)


def _unknown_host_key(garden: Garden) -> Seen:
    known = garden.web.parent / "known"
    known.write_text("")
    return garden.send(replace(garden.host, known_hosts=known))


def _stopped(garden: Garden) -> Seen:
    return garden.send(at_port(garden.host, free_port()))


def _no_ssh_there(garden: Garden) -> Seen:
    site = garden.hosts.site
    if site is None:
        raise NotTriedError("nginx is not there to answer in the place of ssh")
    return garden.send(at_port(garden.host, site.ports["site"]))


def _silent(garden: Garden) -> Seen:
    with never_answers() as port:
        return garden.send(replace(at_port(garden.host, port), connect_timeout_s=1.0))


def _unresolved(garden: Garden) -> Seen:
    return garden.send(replace(garden.host, host="web.invalid"))  # RFC 6761, 6.4: never found


def _slow(garden: Garden) -> Seen:
    with garden.hosts.ssh.key_may("cat > /dev/null"):
        return garden.send(replace(garden.host, total_timeout_s=2.0))


def _no_rsync_here(garden: Garden) -> Seen:
    return garden.send(replace(garden.host, rsync="/nowhere/rsync"))


def _not_built(garden: Garden) -> Seen:
    shutil.rmtree(garden.journal)
    return garden.send()


def _local(garden: Garden) -> Seen:
    return with_problems(garden.send(garden.web), same_there(garden))


def _local_closed(garden: Garden) -> Seen:
    closed = garden.web.parent / "closed"
    closed.mkdir(mode=0o555)
    for path in [garden.journal, *garden.journal.rglob("*")]:
        path.chmod(0o755 if path.is_dir() else 0o644)
    with without_rights():
        return garden.send(closed / "web")


def _local_file(garden: Garden) -> Seen:
    garden.web.write_text("mine")
    seen = garden.send(garden.web)
    return with_problems(seen, None if garden.web.read_text() == "mine" else "the file is gone")


def _overlap(garden: Garden) -> Seen:
    return garden.send(garden.journal / "web")


def _case(
    name: str,
    outcome: SendOutcome,
    remedy: str | None,
    trial: Trial,
    *,
    or_outcome: SendOutcome | None = None,
) -> Case[Hosts]:
    return Case(name, outcome, remedy, in_garden(trial), or_outcome)


# Where there are two outcomes: when a folder cannot be made, rsync ends with 3 or 11, by its version.
CASES: list[Case[Hosts]] = [
    _case("delivered by ssh", _SENT, None, _delivered),
    _case("what has changed arrives again", _SENT, None, _changed),
    _case("by ssh, read by a web server of another user", _SENT, None, _seen_by_all(local=False)),
    _case("to a folder, read by a web server of another user", _SENT, None, _seen_by_all(local=True)),
    _case("readable for all whatever the journal allows, by ssh", _SENT, None, _open_to_all(local=False)),
    _case("readable for all whatever the journal allows, a folder", _SENT, None, _open_to_all(local=True)),
    _case("remove_gone, others' files there, by ssh", _SENT, None, _others_stay(local=False)),
    _case("remove_gone, others' files there, a folder", _SENT, None, _others_stay(local=True)),
    _case("without remove_gone nothing is removed", _SENT, None, _keeps_gone),
    _case("a key restricted by rrsync", _SENT, None, _restricted()),
    _case("a key restricted by rrsync, remove_gone", _SENT, None, _restricted(remove_gone=True)),
    _case("a key restricted by rrsync -wo", _SENT, None, _restricted("-wo")),
    _case("rrsync -wo with remove_gone", _NOT, "without -wo", _restricted("-wo", remove_gone=True)),
    _case("rrsync -ro", _NOT, "without -ro", _restricted("-ro")),
    _case("rrsync, a folder outside", _NOT, "does not fit", _restricted(folder="../outside")),
    _case("ssh key not known there", _NOT, "into authorized_keys", _another_key),
    _case("the host's key has changed", _NOT, "poses as it", _changed_host_key),
    _case("the host's key was never noted", _NOT, "ssh-keyscan", _unknown_host_key),
    _case("mkdir refused there", _NEVER, "may not write there", _host_that(_no_rights_there),
          or_outcome=_NOT),
    _case("no parent folder there", _NEVER, "make the folder above it", _no_parent, or_outcome=_NOT),
    _case("a file in the folder's place, by ssh", _NEVER, "has that folder's name", _a_file_there,
          or_outcome=_NOT),
    _case("no rsync there", _NOT, "install rsync there",
          _host_that(lambda _: 'env PATH=/nowhere /bin/sh -c "$SSH_ORIGINAL_COMMAND"')),
    _case("disk full there", _NOT, "disk there is full", _host_that(_full_disk)),
    _case("disk there can only be read", _NOT, "can only be read", _host_that(_read_only_disk)),
    _case("the host prints words at log-in", _NEVER, "prints words",
          _host_that(lambda _: f"echo Hello; {RUN}")),
    _case("the connection breaks off", _NOT, "try again", _host_that(lambda _: "kill -9 $$")),
    _case("server stopped", _NOT, "nothing listens there", _stopped),
    _case("another server on that port", _NOT, "port is the right one", _no_ssh_there),
    _case("the server never answers", _NOT, "blocks it", _silent),
    _case("the host is too slow", _NOT, "deadline", _slow),
    _case("host's name unknown", _NOT, "spelling of the host", _unresolved),
    _case("no rsync here", _NOT, "apt install rsync", _no_rsync_here),
    _case("the journal is not built", _NOT, "dooryard journal", _not_built),
    _case("delivered to a folder", _SENT, None, _local),
    _case("a folder that may not be made", _NOT, "may not write there", _local_closed),
    _case("a file in the folder's place", _NOT, "has that folder's name", _local_file),
    _case("a folder inside the journal", _NEVER, "another folder", _overlap),
]  # fmt: skip
