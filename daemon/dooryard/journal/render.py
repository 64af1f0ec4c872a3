"""From a page's view to its HTML. Edge: reads the templates that the package carries."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any

import jinja2

_TEMPLATES = "templates"


@dataclass(frozen=True, slots=True)
class PageContext:
    """What all pages share."""

    place: str
    box: str
    time_zone: str
    base_url: str | None = None  # with a slash at its end; None: nobody knows where it will be published


@dataclass(frozen=True, slots=True)
class Forms:
    """Marks can be made on the page, and it can be muted; `token` stands in the forms.

    Whether it is muted is shown on no other page: what is published must not say that nobody is home.
    """

    token: str
    hush: str = ""  # the mute or the pause that holds: "muted until 06:00"
    muted: bool = False  # it is a mute, which can be ended


def page(
    template: str,
    path: str,
    view: Any,
    site: PageContext,
    *,
    title: str,
    description: str,
    forms: Forms | None = None,
) -> bytes:
    """The page that will stand at `path`. All text is escaped, whatever a visitor is called."""
    html = (
        _environment()
        .get_template(template)
        .render(
            view=view,
            path=path,
            root="../" * path.count("/"),
            site=site,
            title=title,
            description=description,
            forms=forms,
        )
    )
    return html.encode("utf-8", "replace")


def style() -> bytes:
    return (resources.files(__package__) / _TEMPLATES / "style.css").read_bytes()


@lru_cache(maxsize=1)
def fingerprint() -> str:
    """Changes with any template, so that a new version of the program makes all pages again."""
    found = hashlib.blake2b(digest_size=16)
    folder = resources.files(__package__) / _TEMPLATES
    for item in sorted(folder.iterdir(), key=lambda item: item.name):
        found.update(item.name.encode() + item.read_bytes())
    return found.hexdigest()


@lru_cache(maxsize=1)
def _environment() -> jinja2.Environment:
    return jinja2.Environment(
        loader=jinja2.PackageLoader("dooryard.journal", _TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
