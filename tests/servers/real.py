"""Debian's own servers on loopback, each in a folder of its own, started by a test and ended with it.

Mail: Postfix, with Dovecot for log-ins, STARTTLS and a size limit; they can only be started by root, and drop
their rights themselves. Web: nginx. Settings: postconf(5), Dovecot's and nginx's documentation.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from email import message_from_bytes
from email.message import Message
from pathlib import Path

from servers.certificates import Authority

_SBIN = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
DOVECOT = shutil.which("dovecot", path=_SBIN)
NGINX = shutil.which("nginx", path=_SBIN)
MASTER = Path("/usr/lib/postfix/sbin/master")
USER, PASSWORD = "box", "grün & correct/horse"  # with a letter outside ASCII
ROBIN, WREN = "robin@alder-row.example", "wren@alder-row.example"
_TURNS = 200  # of a tenth of a second
_DOVECOT = """\
protocols =
base_dir = {folder}/run
log_path = {folder}/dovecot.log
ssl = no
auth_mechanisms = plain login cram-md5
passdb {{
  driver = passwd-file
  args = {folder}/users
}}
userdb {{
  driver = static
  args = uid=65534 gid=65534 home=/nonexistent
}}
service auth {{
  unix_listener {folder}/queue/private/auth {{
    mode = 0660
    user = postfix
    group = postfix
  }}
}}
"""
_MASTER_CF = """\
127.0.0.1:{port} inet n - n - - smtpd
postlog unix-dgram n - n - 1 postlogd
cleanup unix n - n - 0 cleanup
qmgr unix n - n 300 1 qmgr
rewrite unix - - n - - trivial-rewrite
bounce unix - - n - 0 bounce
defer unix - - n - 0 bounce
trace unix - - n - 0 bounce
verify unix - - n - 1 verify
flush unix n - n 1000? 0 flush
proxymap unix - - n - - proxymap
smtp unix - - n - - smtp
error unix - - n - - error
retry unix - - n - - error
virtual unix - n n - - virtual
anvil unix - - n - 1 anvil
tlsmgr unix - - n 1000? 1 tlsmgr
"""


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that other users may look into; the ones that tests usually get are closed to them."""
    folder = Path(tempfile.mkdtemp(prefix="dooryard-servers-"))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def unused_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def listens(port: int, process: subprocess.Popen[bytes]) -> bool:
    """Wait until somebody listens there; False when the process ended or patience did."""
    for _ in range(_TURNS):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.5):
            return True
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(0.1)
            return False
    return False


@dataclass
class MailServer:
    """A running Postfix."""

    port: int
    ca_file: Path
    folder: Path

    def mails(self, recipient: str, count: int) -> list[Message]:
        """The mails of a recipient, once at least `count` have arrived (or patience has ended)."""
        box = self.folder / "mail" / recipient.partition("@")[0] / "new"
        waiting = subprocess.Popen(["sleep", "20"])  # ends early, below; the delivery is another program's
        try:
            while waiting.poll() is None and len(list(box.glob("*"))) < count:
                with contextlib.suppress(subprocess.TimeoutExpired):
                    waiting.wait(0.1)
        finally:
            waiting.kill()
            waiting.wait()
        return [message_from_bytes(path.read_bytes()) for path in sorted(box.glob("*"))]


@contextmanager
def postfix(*, most_bytes: int = 10_000_000, full: str | None = None) -> Iterator[MailServer]:
    """`most_bytes` is what a message may have; `full` a recipient whose mailbox is."""
    with open_folder() as folder:
        port = unused_port()
        authority = Authority(folder)
        authority.write_server(folder / "server.pem")
        _configure(folder, port, most_bytes, full)
        assert DOVECOT is not None
        with (
            running([DOVECOT, "-F", "-c", str(folder / "dovecot.conf")]),
            running([str(MASTER), "-c", str(folder / "etc"), "-d"]) as process,
        ):
            if not listens(port, process):
                log = folder / "log"
                raise RuntimeError(f"Postfix does not start: {log.read_text() if log.exists() else ''}")
            yield MailServer(port, authority.file, folder)


@contextmanager
def running(words: list[str]) -> Iterator[subprocess.Popen[bytes]]:
    """A program that is ended with the block."""
    process = subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.terminate()
        process.wait(20)


def _configure(folder: Path, port: int, most_bytes: int, full: str | None) -> None:
    owner = pwd.getpwnam("postfix")
    for name in ("etc", "queue", "data", "mail", "run"):
        (folder / name).mkdir()
    for name in ("active", "bounce", "corrupt", "defer", "deferred", "flush", "hold", "incoming", "private",
                 "saved", "trace"):  # fmt: skip
        (folder / "queue" / name).mkdir(mode=0o700)
        os.chown(folder / "queue" / name, owner.pw_uid, -1)
    (folder / "queue" / "pid").mkdir()
    (folder / "queue" / "maildrop").mkdir(mode=0o730)
    (folder / "queue" / "public").mkdir(mode=0o710)
    os.chown(folder / "queue" / "public", owner.pw_uid, -1)
    for name in ("data", "mail"):
        os.chown(folder / name, owner.pw_uid, owner.pw_gid)
    (folder / "users").write_text(f"{USER}:{{PLAIN}}{PASSWORD}\n")
    (folder / "dovecot.conf").write_text(_DOVECOT.format(folder=folder))
    away = f"inline:{{ {{ {full} = 452 4.2.2 Mailbox full }} }}" if full else "static:DUNNO"
    settings = {
        "compatibility_level": "3.6",
        "queue_directory": folder / "queue",
        "data_directory": folder / "data",
        "maillog_file": folder / "log",
        "maillog_file_prefixes": folder,
        "daemon_directory": MASTER.parent,
        "mail_owner": "postfix",
        "myhostname": "mail.alder-row.example",
        "mydestination": "",
        "inet_interfaces": "127.0.0.1",
        "inet_protocols": "ipv4",
        "mynetworks": "",
        "alias_maps": "",
        "message_size_limit": most_bytes,
        "virtual_mailbox_domains": "alder-row.example",
        "virtual_mailbox_base": folder / "mail",
        "virtual_mailbox_maps": f"inline:{{ {{ {ROBIN} = robin/ }}, {{ {WREN} = wren/ }} }}",
        "virtual_mailbox_limit": 0,
        "virtual_minimum_uid": 1,
        "virtual_uid_maps": f"static:{owner.pw_uid}",
        "virtual_gid_maps": f"static:{owner.pw_gid}",
        "smtpd_tls_chain_files": folder / "server.pem",
        "smtpd_tls_security_level": "encrypt",
        "smtpd_sasl_auth_enable": "yes",
        "smtpd_sasl_type": "dovecot",
        "smtpd_sasl_path": "private/auth",
        "smtpd_relay_restrictions": "permit_sasl_authenticated, reject",
        "smtpd_recipient_restrictions": f"check_recipient_access {away}, permit_sasl_authenticated, reject",
        "smtpd_peername_lookup": "no",
    }
    (folder / "etc" / "main.cf").write_text("".join(f"{key} = {value}\n" for key, value in settings.items()))
    (folder / "etc" / "master.cf").write_text(_MASTER_CF.format(port=port))


_NGINX = """\
daemon off;
{user}
pid {folder}/nginx.pid;
error_log {folder}/nginx.log;
events {{ worker_connections 64; }}
http {{
  access_log off;
  client_body_temp_path {folder}/body;
  proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/fastcgi;
  uwsgi_temp_path {folder}/uwsgi;
  scgi_temp_path {folder}/scgi;
  ssl_certificate {folder}/server.pem;
  ssl_certificate_key {folder}/server.pem;
  server {{
    listen 127.0.0.1:{plain};
    listen 127.0.0.1:{tls} ssl;
    location /hook {{ return 204; }}
    location /small {{ client_max_body_size 100k; return 204; }}
    location /garden {{ alias {pages}; }}
    location /guarded {{
      auth_basic "Alder Row";
      auth_basic_user_file {folder}/users;
      try_files /nothing @taken;
    }}
    location @taken {{ return 204; }}
  }}
  server {{
    listen 127.0.0.1:{asking} ssl;
    ssl_client_certificate {folder}/authority.pem;
    ssl_verify_client on;
    location / {{ return 204; }}
  }}
}}
"""


@dataclass
class WebServer:
    """A running nginx: its ports for plain words, for TLS, and for TLS with a certificate of the client's."""

    plain: int
    tls: int
    asking: int
    ca_file: Path


@contextmanager
def nginx(pages: Path) -> Iterator[WebServer]:
    """`pages` is what it shows below /garden/. Bodies may have its own default, 1 MiB; 100 KiB at /small."""
    assert NGINX is not None
    with open_folder() as folder:
        authority = Authority(folder)
        authority.write_server(folder / "server.pem")
        hashed = "{SHA}" + base64.b64encode(hashlib.sha1(PASSWORD.encode()).digest()).decode()
        (folder / "users").write_text(f"{USER}:{hashed}\n")
        plain, encrypted, asking = (unused_port() for _ in range(3))
        server = WebServer(plain, encrypted, asking, authority.file)
        # Started by root, it reads files as another user, as it does at a web host.
        user = "user www-data;" if os.geteuid() == 0 else ""
        settings = _NGINX.format(
            folder=folder, pages=f"{pages}/", user=user, plain=plain, tls=encrypted, asking=asking
        )
        (folder / "nginx.conf").write_text(settings)
        with running([NGINX, "-p", str(folder), "-c", str(folder / "nginx.conf"), "-e", "stderr"]) as process:
            if not listens(plain, process):
                log = folder / "nginx.log"
                raise RuntimeError(f"nginx does not start: {log.read_text() if log.exists() else ''}")
            yield server
