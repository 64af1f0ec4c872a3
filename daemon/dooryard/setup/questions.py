"""The questions themselves: words, flags, defaults, and how an answer is read."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from dooryard.box.addresses import is_loopback, mail_address, parsed_address, webhook_address
from dooryard.config.secrets import Secret
from dooryard.config.toml_document import did_you_mean, quoted
from dooryard.policy.fields import ANYTHING, known_zone, one_line, plain_name
from dooryard.policy.times import parse_time
from dooryard.setup.answers import Security, Shape
from dooryard.setup.asker import Question, one_of, yes_or_no

NOWHERE, NEVER = "nothing", "never"
WAYS = ("push", "mail", "folder")
_LONGEST_NAME = 80
_SHAPES: dict[str, Shape] = {
    "picture": "picture", "text": "text", "json": "json", "form": "form", "event": "event"
}  # fmt: skip
_SECURITY: dict[str, Security] = {"tls": "tls", "starttls": "starttls", "none": "none"}


def _name(text: str) -> str:
    if len(text.strip()) > _LONGEST_NAME:
        raise ValueError(f"it has more than {_LONGEST_NAME} characters; write a shorter one")
    return one_line(text)


def _zone(text: str) -> str:
    return known_zone(text.strip())


def _quiet(text: str) -> tuple[str, str] | None:
    word = text.strip().casefold()
    if word in (NEVER, "none", "no"):
        return None
    parts = re.split(r"\s*(?:\bto\b|\buntil\b|–|—|(?<=[0-9a-z\s])-(?=\s*(?:\d?\d:|sun|da|du)))\s*", word)
    if len(parts) != 2:
        raise ValueError(f'write two times such as 22:00-07:00, or "{NEVER}"')
    since, until = (_time(part.strip()) for part in parts)
    if since == until:
        raise ValueError(f'both times are {since}; write when it begins and when it ends, or "{NEVER}"')
    return since, until


def _time(text: str) -> str:
    text = re.sub(r"^(\d):", r"0\1:", text)
    parse_time(text)
    return text


def _ways(text: str) -> tuple[str, ...]:
    read = one_of(*WAYS, NOWHERE)
    words = [read(word) for word in re.split(r"[\s,]+(?:and\s+)?", text.strip()) if word]
    if not words or (NOWHERE in words and len(set(words)) > 1):
        raise ValueError(f'write one or several of {", ".join(WAYS)}, or "{NOWHERE}"')
    return tuple(dict.fromkeys(word for word in words if word != NOWHERE))


def _push_address(text: str) -> str:
    address = text.strip()
    url = parsed_address(webhook_address(address))
    if url is not None and url.scheme == "http" and not is_loopback(url.host or ""):
        raise ValueError("anybody on the way could read what is sent; write it with https://")
    return address


def _secret(text: str) -> Secret | None:
    return Secret(text) if text and text != NOWHERE else None


def _token(text: str) -> Secret | None:
    if not (text.isascii() and text.isprintable() and " " not in text):
        raise ValueError(
            "a token has no blanks and no letters beyond ASCII; paste it without words around it"
        )
    return _secret(text)


def _mail_address(text: str) -> str:
    return mail_address(text.strip())


def _host(text: str) -> str:
    host = text.strip()
    if not re.fullmatch(r"[A-Za-z0-9](?:[A-Za-z0-9.-]{0,252})|\[?[0-9A-Fa-f:]+\]?", host):
        raise ValueError("write the server's bare name, such as mail.garden.example")
    return host


def _port(text: str) -> int | None:
    if text.strip() == "usual":
        return None
    if not (text.strip().isascii() and text.strip().isdigit() and 1 <= int(text) <= 65535):
        raise ValueError('write a number from 1 to 65535, or "usual"')
    return int(text)


def _user(text: str) -> str | None:
    return None if text.strip() == "none" else one_line(text)


def _folder(text: str) -> str:
    folder = text.strip()
    if not folder.isprintable() or not Path(folder).name:
        raise ValueError("write the path of a folder")
    return str(Path(folder).expanduser().absolute())


def told(known: Iterable[str], groups: Iterable[str]) -> Callable[[str], tuple[str, ...]]:
    """Reads whom to tell of: names that the box knows, in any number, plurals too."""
    names = frozenset(known) | {ANYTHING}
    offered = ", ".join(sorted(groups))

    def one(word: str) -> str:
        name = plain_name(word)
        singular = next(
            (each for each in (name, name.removesuffix("s"), name.removesuffix("es")) if each in names), None
        )
        if singular is not None:
            return singular
        if name in ("everything", "all", "anybody", "anyone"):
            return ANYTHING
        hint = did_you_mean(name, names)
        raise ValueError(f"nobody is called {quoted(word)}{hint}; write some of {offered}, or {ANYTHING}")

    def read(text: str) -> tuple[str, ...]:
        words = [word.strip() for word in re.split(r",|;|\band\b", text) if word.strip()]
        if not words:
            raise ValueError(f"write some of {offered}, or {ANYTHING}")
        return tuple(dict.fromkeys(one(word) for word in words))

    return read


NAME = Question(
    "name", "Name of the place", "What messages call the place, such as Alder Row.",
    'A message then says "A squirrel at Alder Row, 14:05".', _name, "the garden",
)  # fmt: skip
WHERE = Question(
    "where", "Nearest town, or its coordinates", "Where it is: for the sun, the time zone and the birds.",
    'A town as "Oxford" or "Springfield, IL", or degrees: "51.75, -1.26".',
    str.strip,
)  # fmt: skip
TIME_ZONE = Question(
    "time-zone", "Time zone", "The time that messages and quiet hours go by.",
    'An IANA name such as "Europe/London". Summer time is known by itself.', _zone,
)  # fmt: skip
QUIET = Question(
    "quiet", "Quiet hours", "When alerts wait until morning.",
    f'Two times as "22:00-07:00", by the sun as "sunset-sunrise", or "{NEVER}".', _quiet, "22:00-07:00",
)  # fmt: skip
TO = Question(
    "to", "Where to", f"Where alerts go: {', '.join(WAYS)} (several with commas), or {NOWHERE} yet.",
    "push: an https address that takes a request for each alert, as services for phones have. mail: from an"
    " account of yours. folder: the journal's pages, for a web server or a shared disk.", _ways, NOWHERE,
)  # fmt: skip
PUSH = Question(
    "push", "Push address", "The https address that your push service or your own receiver gave you.",
    "Open the service's app or page, make a topic, channel or hook, and copy its address here.",
    _push_address,
)  # fmt: skip
SHAPE: Question[Shape] = Question(
    "push-shape", "Form of a push", "How it wants text and picture: picture, text, json, form or event.",
    "picture: the picture is the body, the text stands in headers. text: the text is the body, no picture."
    " json: fields and the picture in base64. form: fields and a file. event: CloudEvents, for programs.",
    lambda text: _SHAPES[one_of(*_SHAPES)(text)], "picture",
)  # fmt: skip
TOKEN = Question(
    "push-token-file", "Token", "The token that it asks for, if any; it is not shown while you type.",
    "Sent as a bearer token. It goes into a file of its own that only its owner can read.",
    _token, NOWHERE, hidden=True,
)  # fmt: skip
MAIL_TO = Question(
    "mail-to", "Mail to", "The mail address that alerts go to.",
    "More of them can be added in the box file later.", _mail_address,
)  # fmt: skip
MAIL_FROM = Question(
    "mail-from", "Mail from", "The address that they come from, of the account that the box logs in to.",
    "Often the same as the one that they go to.", _mail_address,
)  # fmt: skip
MAIL_HOST = Question(
    "mail-host", "Mail server", "The outgoing (SMTP) server of that account.",
    "Your provider's help names it, often under outgoing mail or SMTP.", _host,
)  # fmt: skip
MAIL_SECURITY: Question[Security] = Question(
    "mail-security", "Encryption", "How it is encrypted: tls, starttls, or none (this machine only).",
    "tls (port 465) is encrypted from the start, starttls (587) after a greeting. Try tls first.",
    lambda text: _SECURITY[one_of(*_SECURITY)(text)], "tls",
)  # fmt: skip
MAIL_PORT = Question(
    "mail-port", "Port", "The server's port, where it is not the usual one.",
    "usual: 465 for tls, 587 for starttls, 25 for none.", _port, "usual",
)  # fmt: skip
MAIL_USER = Question(
    "mail-user", "Log in as", "The account's user name; none: no log-in.",
    "Often the whole mail address.", _user,
)  # fmt: skip
MAIL_PASSWORD = Question(
    "mail-password-file", "Password", "Its password; it is not shown while you type.",
    "Many providers want one made for a program. It goes into a file that only its owner can read.",
    _secret, hidden=True,
)  # fmt: skip
PAGES = Question(
    "pages", "Folder of pages", "The folder that the journal's pages are brought to.",
    "It is made if it is not there. For a web host over ssh see [[sink]] in systemd/README.md.", _folder,
)  # fmt: skip
CAMERA = Question(
    "camera", "Camera", "Where pictures come from: picamera (the board's), scene, or folder (a recording).",
    "scene is a simulated garden, to try things out; folder takes frames as `dooryard record` writes them.",
    one_of("picamera", "scene", "folder"),
)  # fmt: skip
RECORDING = Question(
    "recording", "Folder of the recording", "Where the recording's frames are.",
    "A folder that `dooryard record` wrote.", _folder,
)  # fmt: skip
SEND_TEST = Question(
    "send-test", "Send a test message now", "A message with a small picture shows whether it arrives.",
    "It says that it is a trial. Without it only the way there is looked at.", yes_or_no, "yes",
)  # fmt: skip
OVERWRITE = Question(
    "overwrite", "Write them again", "The old ones are kept beside them, with today's date in their names.",
    "yes: they are kept as NAME.DATE and new ones are written. no: nothing is written.", yes_or_no, "no",
)  # fmt: skip


def tell(known: Mapping[str, str]) -> Question[tuple[str, ...]]:
    """Whom to tell of. `known`: name -> group of each visitor that the box can tell."""
    groups = sorted(set(known.values()))
    return Question(
        "tell", "Tell me of", f"Whom you want to be told of: {', '.join(groups)}, or {ANYTHING}.",
        "Several with commas. Each becomes a rule of its own in the policy, with its own limits.",
        told(known, groups), "bird, squirrel",
    )  # fmt: skip
