"""What an owner answered, ready to be tried and written down. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from dooryard.config.secrets import Secret

Shape = Literal["picture", "text", "json", "form", "event"]
Security = Literal["tls", "starttls", "none"]
CameraKind = Literal["picamera", "scene", "folder"]

# How the three ways out are called in the policy.
PHONE, POST, PAGES = "phone", "post", "pages"
# The files that hold their secrets.
PUSH_TOKEN, MAIL_PASSWORD = "push-token", "mail-password"


@dataclass(frozen=True, slots=True)
class Location:
    """A place: degrees north and east, and in words what they were found from."""

    latitude: float
    longitude: float
    text: str


@dataclass(frozen=True, slots=True)
class PushAddress:
    """An address that takes a POST for each alert."""

    url: str
    shape: Shape = "picture"
    token: Secret | None = None


@dataclass(frozen=True, slots=True)
class Mail:
    """A mail account that the box sends from."""

    to: str
    sender: str
    host: str
    security: Security = "tls"
    port: int | None = None  # None: the usual one
    user: str | None = None
    password: Secret | None = None


@dataclass(frozen=True, slots=True)
class CameraChoice:
    """Where frames come from; `folder` is a recording's."""

    kind: CameraKind = "picamera"
    folder: str | None = None


@dataclass(frozen=True, slots=True)
class Answers:
    """All of them. `quiet` is from and until when alerts wait, "HH:MM" or by the sun; None: never."""

    name: str
    where: Location | None
    time_zone: str
    tell: tuple[str, ...]
    quiet: tuple[str, str] | None
    push: PushAddress | None = None
    mail: Mail | None = None
    pages: str | None = None
    camera: CameraChoice = field(default_factory=CameraChoice)

    @property
    def secrets(self) -> dict[str, Secret]:
        """Name of the file -> what goes into it."""
        found = {
            PUSH_TOKEN: self.push.token if self.push else None,
            MAIL_PASSWORD: self.mail.password if self.mail else None,
        }
        return {name: secret for name, secret in found.items() if secret is not None}
