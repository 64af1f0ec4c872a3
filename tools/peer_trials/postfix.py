"""Postfix on loopback, with Cyrus SASL and several doors that differ in what they ask for.

Its master wants root; all that talks to a client runs as the user postfix. Source: postconf(5).
"""

from __future__ import annotations

import socketserver
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from email import message_from_bytes, policy
from email.message import EmailMessage
from pathlib import Path

from peer_trials.case import NotTriedError
from peer_trials.certificates import Authority
from peer_trials.process import NOBODY, folder, free_port, is_root, program, running, waited

DOMAIN = "alder-row.example"
PEOPLE = ("robin", "wren")
USER = f"box@{DOMAIN}"
PASSWORD = "Zaunkönig-5€"  # noqa: S105  (beyond ASCII and Latin-1; the real servers below know it alone)

_TLS = {"smtpd_tls_security_level": "encrypt", "smtpd_tls_auth_only": "yes"}
_SASL = {"smtpd_sasl_auth_enable": "yes"}
# Each door is a port of its own; what differs from the settings that all share.
DOORS: dict[str, dict[str, str]] = {
    "plain": {},
    "log-in": _SASL,
    "log-in by CRAM-MD5": _SASL | {"smtpd_sasl_mechanism_filter": "cram-md5"},
    "log-in by LOGIN": _SASL | {"smtpd_sasl_mechanism_filter": "login"},
    "starttls": _TLS | _SASL,
    "tls": _TLS | _SASL | {"smtpd_tls_wrappermode": "yes"},
    "tls, expired": _TLS | {"smtpd_tls_wrappermode": "yes"},
    "starttls, expired": _TLS,
    "tls, another's": _TLS | {"smtpd_tls_wrappermode": "yes"},
    "client certificate": _TLS | {"smtpd_tls_wrappermode": "yes", "smtpd_tls_req_ccert": "yes"},
    "small": {"message_size_limit": "150000"},
    "rather small, unannounced": {"message_size_limit": "400000", "smtpd_discard_ehlo_keywords": "size"},
    "small, unannounced": {"message_size_limit": "150000", "smtpd_discard_ehlo_keywords": "size"},
    "words only": {"message_size_limit": "1300"},
    "tiny": {"message_size_limit": "300"},
    "full disk": {"queue_minfree": "900000000000000"},
    "no strange words": {"cleanup_service_name": "strict"},
    "own senders": _SASL | {"smtpd_sender_restrictions": "reject_sender_login_mismatch"},
}


@dataclass
class Postfix:
    """`ports` by door; `authority` signed its certificates."""

    ports: dict[str, int]
    authority: Authority
    mail: Path

    def letters(self, person: str) -> list[EmailMessage]:
        """What lies in somebody's mailbox."""
        found = sorted((self.mail / person / "new").glob("*"))
        letters = [message_from_bytes(path.read_bytes(), policy=policy.default) for path in found]
        return [letter for letter in letters if isinstance(letter, EmailMessage)]

    def arrived(self, person: str, title: str) -> EmailMessage | None:
        """The letter with that title, once it is there; None after the deadline."""

        def now() -> list[EmailMessage]:
            return [each for each in self.letters(person) if each["Subject"] == title]

        return now()[-1] if waited(now) else None


@contextmanager
def postfix() -> Iterator[Postfix]:
    """Runs while the block lasts. Raises `NotTriedError` where it cannot."""
    starter, saslpasswd = program("postfix", "postfix"), program("saslpasswd2", "sasl2-bin")
    postconf = program("postconf", "postfix")
    if not list(Path("/usr/lib").glob("*/sasl2/libplain.so")):
        raise NotTriedError("SASL's ways to log in are not installed (Debian: apt install libsasl2-modules)")
    if not is_root():
        raise NotTriedError("Postfix starts as root only")
    with folder("postfix") as place, _greylist() as grey:
        authority, ports = Authority(place), {door: free_port() for door in [*DOORS, "greylist"]}
        asked = subprocess.run([postconf, "-dh", "daemon_directory"], capture_output=True, check=True)
        home = asked.stdout.decode().strip()
        for name, owner in (("queue", None), ("data", "postfix"), ("mail", NOBODY)):
            (place / name).mkdir(mode=0o755)
            if owner is not None:
                _give(place / name, owner)
        settings = place / "settings"
        (settings / "sasl").mkdir(mode=0o755, parents=True)
        _write_passwords(saslpasswd, place)
        (settings / "main.cf").write_text(_main(place, authority, home))
        (settings / "master.cf").write_text(_master(ports, grey, authority))
        subprocess.run([starter, "-c", str(settings), "check"], capture_output=True, check=True)
        # The master itself, and not detached: so it ends with its group.
        words = [f"{home}/master", "-c", str(settings), "-d"]
        with running(words, list(ports.values()), place / "log"):
            yield Postfix(ports, authority, place / "mail")


def _give(path: Path, owner: str | int) -> None:
    import shutil

    shutil.chown(path, owner)


def _write_passwords(saslpasswd: str, place: Path) -> None:
    name, _, realm = USER.partition("@")
    words = [saslpasswd, "-p", "-c", "-f", str(place / "sasldb2"), "-u", realm, name]
    subprocess.run(words, input=PASSWORD.encode(), check=True)
    _give(place / "sasldb2", "postfix")
    # Where Debian's Postfix looks for it.
    (place / "settings/sasl/smtpd.conf").write_text(
        "pwcheck_method: auxprop\nauxprop_plugin: sasldb\nmech_list: PLAIN LOGIN CRAM-MD5\n"
        f"sasldb_path: {place / 'sasldb2'}\n"
    )


def _main(place: Path, authority: Authority, daemons: str) -> str:
    boxes = ", ".join(f"{name}@{DOMAIN}={name}/" for name in (*PEOPLE, "full", "later", "grey"))
    # How Postfix itself, its quota plug-ins and greylisters word it.
    replies = (
        f"{{full@{DOMAIN} = 452 4.2.2 Mailbox full}}, "
        f"{{later@{DOMAIN} = 450 4.2.0 Mailbox busy}}, "
        f"{{quota@{DOMAIN} = 552 5.2.2 user is over quota}}"
    )
    return (
        "\n".join(
            f"{name} = {value}"
            for name, value in {
                "compatibility_level": "3.6",
                "queue_directory": place / "queue",
                "data_directory": place / "data",
                "command_directory": "/usr/sbin",
                "daemon_directory": daemons,
                "mail_owner": "postfix",
                "setgid_group": "postdrop",
                "maillog_file": place / "maillog",
                "maillog_file_prefixes": place,
                "myhostname": f"mail.{DOMAIN}",
                "mydestination": "",
                "mynetworks": "",
                "alias_maps": "",
                "alias_database": "",
                "inet_interfaces": "127.0.0.1",
                "inet_protocols": "ipv4",
                "virtual_mailbox_domains": DOMAIN,
                "virtual_mailbox_base": place / "mail",
                "virtual_mailbox_maps": f"inline:{{ {boxes} }}",
                "virtual_uid_maps": f"static:{NOBODY}",
                "virtual_gid_maps": f"static:{NOBODY}",
                "cyrus_sasl_config_path": place / "settings/sasl",
                "smtpd_sasl_type": "cyrus",
                "smtpd_sasl_path": "smtpd",
                "smtpd_sasl_security_options": "noanonymous",
                "smtpd_sender_login_maps": "static:somebody-else",
                "smtpd_relay_restrictions": "permit_sasl_authenticated,reject_unauth_destination",
                "smtpd_recipient_restrictions": f"check_recipient_access inline:{{ {replies} }}",
                "smtpd_tls_CAfile": authority.file,
                "smtpd_tls_chain_files": f"{authority.good.key},{authority.good.certificate}",
                "smtpd_tls_loglevel": "0",
                "notify_classes": "",
            }.items()
        )
        + "\n"
    )


def _master(ports: dict[str, int], grey: int, authority: Authority) -> str:
    own = {
        "tls, expired": authority.expired,
        "starttls, expired": authority.expired,
        "tls, another's": authority.of_another,
    }
    doors = DOORS | {
        "greylist": {"smtpd_recipient_restrictions": f"check_policy_service inet:127.0.0.1:{grey}"}
    }
    lines = []
    for door, port in ports.items():
        options = dict(doors[door])
        if door in own:
            options["smtpd_tls_chain_files"] = f"{own[door].key},{own[door].certificate}"
        lines.append(f"127.0.0.1:{port} inet n - n - - smtpd")
        lines += [f"  -o {{ {name} = {value} }}" for name, value in options.items()]
    lines += [
        "postlog unix-dgram n - n - 1 postlogd",
        "pickup unix n - n 60 1 pickup",
        "cleanup unix n - n - 0 cleanup",
        "strict unix n - n - 0 cleanup",
        "  -o { header_checks = regexp:{{/^Subject:/ REJECT 5.7.1 message content rejected}} }",
        "qmgr unix n - n 300 1 qmgr",
        "tlsmgr unix - - n 1000? 1 tlsmgr",
        "rewrite unix - - n - - trivial-rewrite",
        "bounce unix - - n - 0 bounce",
        "defer unix - - n - 0 bounce",
        "trace unix - - n - 0 bounce",
        "proxymap unix - - n - - proxymap",
        "anvil unix - - n - 1 anvil",
        "scache unix - - n - 1 scache",
        "error unix - - n - - error",
        "retry unix - - n - - error",
        "discard unix - - n - - discard",
        "virtual unix - n n - - virtual",
    ]
    return "\n".join(lines) + "\n"


class _Greylist(socketserver.StreamRequestHandler):
    """Puts each recipient off once. Source: SMTPD_POLICY_README of Postfix."""

    known: set[bytes]

    def handle(self) -> None:
        asked: dict[bytes, bytes] = {}
        for line in self.rfile:
            name, _, value = line.strip().partition(b"=")
            if name:
                asked[name] = value
                continue
            recipient, asked = asked.get(b"recipient", b""), {}
            action = b"DUNNO" if recipient in self.known else b"450 4.2.0 Greylisted, come again later"
            self.known.add(recipient)
            self.wfile.write(b"action=" + action + b"\n\n")


@contextmanager
def _greylist() -> Iterator[int]:
    handler = type("Greylist", (_Greylist,), {"known": set()})
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), handler) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield int(server.server_address[1])
        server.shutdown()
