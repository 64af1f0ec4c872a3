"""nginx on loopback: a receiver of webhooks with many manners, and a web server for published folders.

It wants no rights; started by root, its workers run as nobody, so that published files are another user's.
"""

from __future__ import annotations

import http.client
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from peer_trials.certificates import Authority, Pair
from peer_trials.process import folder, free_port, is_root, program, running

USER, PASSWORD = "box", "Zaunkönig-5€"  # known to these servers only
TOKEN = "rowan-17"  # noqa: S105  (the same)

# What each path of the receiver does. A body is kept as a file (client_body_in_file_only), then answered.
_PATHS = """
location = /take        { proxy_pass http://inner/204; }
location = /basic       { auth_basic garden; auth_basic_user_file HERE/users; proxy_pass http://inner/204; }
location = /bearer      { if ($http_authorization != "Bearer TOKEN") { return 401; }
                          proxy_pass http://inner/204; }
location = /one-mb      { client_max_body_size 1m; proxy_pass http://inner/204; }
location = /small       { client_max_body_size 150k; proxy_pass http://inner/204; }
location = /rather      { client_max_body_size 400k; proxy_pass http://inner/204; }
location = /words-only  { client_max_body_size 4k; proxy_pass http://inner/204; }
location = /tiny        { client_max_body_size 100; proxy_pass http://inner/204; }
location = /closed      { deny all; }
location = /page.html   { root HERE/pages; }
location = /gone        { return 410; }
location = /wrong-form  { return 415; }
location = /bad         { return 400; }
location = /unprocessed { return 422; }
location = /too-many    { add_header Retry-After 120 always; return 429; }
location = /busy        { add_header Retry-After 90 always; return 503; }
location = /broken      { return 500; }
location = /full        { return 507; }
location = /portal      { return 511; }
location = /no-upstream { proxy_pass http://127.0.0.1:NOBODY_PORT/; }
location = /slow-behind { proxy_read_timeout 1s; proxy_pass http://127.0.0.1:SILENT_PORT/; }
location = /silent      { proxy_read_timeout 60s; proxy_pass http://127.0.0.1:SILENT_PORT/; }
location = /moved       { return 301 https://garden.example/; }
location = /moved-308   { return 308 https://garden.example/; }
location = /log-in-page { return 302 /page.html; }
location = /round       { return 307 /round; }
location = /within      { return 307 /take; }
location = /within-308  { return 308 /take; }
location = /hang-up     { return 444; }
"""


@dataclass
class Nginx:
    """`ports` by the kind of server; `site` is served by another user if root started it."""

    ports: dict[str, int]
    authority: Authority
    site: Path
    _bodies: Path

    def url(self, path: str, server: str = "tls", scheme: str = "https") -> str:
        return f"{scheme}://127.0.0.1:{self.ports[server]}{path}"

    def bodies(self) -> dict[Path, bytes]:
        """What was POSTed to it and read whole, by the file it keeps it in."""
        return {path: path.read_bytes() for path in self._bodies.iterdir()}

    def shown(self, path: str) -> tuple[int, bytes]:
        """What anybody gets who asks for a page of the site: the status and the body."""
        connection = http.client.HTTPConnection("127.0.0.1", self.ports["site"], timeout=10)
        try:
            connection.request("GET", path)
            reply = connection.getresponse()
            return reply.status, reply.read()
        finally:
            connection.close()


@contextmanager
def nginx() -> Iterator[Nginx]:
    """Runs while the block lasts. Raises `NotTriedError` where it cannot."""
    binary = program("nginx", "nginx-light")
    with folder("nginx") as place, socket.create_server(("127.0.0.1", 0)) as silent:
        authority = Authority(place)
        kinds = ("plain", "tls", "expired", "another's", "client", "inner", "site")
        ports = {kind: free_port() for kind in kinds}
        for name in ("bodies", "pages", "site"):
            (place / name).mkdir()
        (place / "site").chmod(0o755)
        (place / "pages/page.html").write_text("<p>Alder Row</p>")
        (place / "users").write_text(f"{USER}:{{PLAIN}}{PASSWORD}\n")
        words = {
            "NOBODY_PORT": free_port(),
            "SILENT_PORT": silent.getsockname()[1],
            "HERE": place,
            "TOKEN": TOKEN,
        }
        (place / "nginx.conf").write_text(_settings(place, ports, authority, words))
        start = [binary, "-p", str(place), "-c", str(place / "nginx.conf"), "-e", str(place / "errors")]
        with running(start, list(ports.values()), place / "log"):
            yield Nginx(ports, authority, place / "site", place / "bodies")


def _settings(place: Path, ports: dict[str, int], authority: Authority, words: dict[str, object]) -> str:
    paths = _PATHS
    for name, value in words.items():
        paths = paths.replace(name, str(value))

    def server(kind: str, pair: Pair | None, more: str = "") -> str:
        tls = f"ssl_certificate {pair.certificate}; ssl_certificate_key {pair.key};" if pair else ""
        listen = f"listen 127.0.0.1:{ports[kind]}{' ssl' if pair else ''};"
        return f"server {{ {listen} {tls} {more}\n{paths} }}"

    of_client = f"ssl_client_certificate {authority.file}; ssl_verify_client on;"
    servers = [
        server("plain", None),
        server("tls", authority.good),
        server("expired", authority.expired),
        server("another's", authority.of_another),
        server("client", authority.good, of_client),
        f"server {{ listen 127.0.0.1:{ports['inner']}; location = /204 {{ return 204; }} }}",
        f"server {{ listen 127.0.0.1:{ports['site']}; root {place / 'site'}; default_type text/html; }}",
    ]
    temporary = "\n".join(
        f"{kind}_temp_path {place / 'passing'};" for kind in ("proxy", "fastcgi", "uwsgi", "scgi")
    )
    return (
        f"daemon off;\npid {place / 'pid'};\nerror_log {place / 'errors'};\nworker_processes 1;\n"
        + ("user nobody nogroup;\n" if is_root() else "")
        + "events { worker_connections 64; }\nhttp {\n"
        f"access_log off;\nclient_max_body_size 40m;\n{temporary}\n"
        f"client_body_temp_path {place / 'bodies'};\nclient_body_in_file_only on;\n"
        f"upstream inner {{ server 127.0.0.1:{ports['inner']}; }}\n" + "\n".join(servers) + "\n}\n"
    )
