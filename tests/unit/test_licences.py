"""What the wheel carries is under the licences that it says, and every third-party file has its notice."""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path

import pytest
from packaging.licenses import canonicalize_license_expression

REPOSITORY = Path(__file__).parents[2]
PACKAGE = REPOSITORY / "daemon/dooryard"
PROJECT = tomllib.loads((REPOSITORY / "pyproject.toml").read_text(encoding="utf-8"))["project"]
APACHE_BYTES = 11358
# Of apache.org/licenses/LICENSE-2.0.txt; Debian's /usr/share/common-licenses/Apache-2.0 is the same.
APACHE_SHA256 = "cfc7749b96f63bd31c3c42b5c471bf756814053e847c10f3eb003417bc523d30"
# Where third-party files lie: their notice, and what must stand in it.
NOTICES = {
    "camera/garden/media/NOTICE.md": ("GNU General Public License", "any later", "copyright 2002-2022"),
    "classify/models/lite0-NOTICE.txt": ("Copyright (c) 2020, ML Illustrated", "Apache License, Version 2.0"),
    "classify/models/birds-NOTICE.txt": (
        "published in the repository google-coral/test_data",
        "changed: the model",
    ),
    "classify/models/lite0-labels-NOTICE.txt": (
        "MIT License",
        "Copyright (c) 2025 Illia Volkov, Nikita Kisel",
        "The above copyright notice and this permission notice shall be included",
    ),
    "setup/towns-NOTICE.txt": (
        "GeoNames (https://www.geonames.org)",
        "Creative Commons Attribution 4.0 International Public License",
        "https://creativecommons.org/licenses/by/4.0/",
        "It was changed by tools/build_towns.py",
    ),
}


def test_the_licence_s_text_is_whole_and_says_whose_program_it_is():
    text = (REPOSITORY / "LICENSE").read_bytes()
    assert hashlib.sha256(text[:APACHE_BYTES]).hexdigest() == APACHE_SHA256
    assert re.search(rb"^   Copyright 20\d\d The Dooryard authors$", text[APACHE_BYTES:], re.MULTILINE)


def test_the_project_names_the_licence_of_all_that_it_carries():
    expression = PROJECT["license"]
    assert canonicalize_license_expression(expression) == expression  # SPDX
    assert set(expression.split(" AND ")) == {"Apache-2.0", "CC-BY-4.0", "GPL-2.0-or-later", "MIT"}


@pytest.mark.parametrize(("name", "words"), NOTICES.items())
def test_third_party_files_have_their_notice(name, words):
    text = " ".join((PACKAGE / name).read_text(encoding="utf-8").split())
    assert [word for word in words if word not in text] == []


def test_the_notices_and_the_texts_go_into_the_wheel_s_licences():
    found = {
        path.relative_to(REPOSITORY)
        for pattern in PROJECT["license-files"]
        for path in REPOSITORY.glob(pattern)
    }
    wanted = [
        REPOSITORY / "LICENSE",
        PACKAGE / "camera/garden/media/GPL-2.txt",
        *(PACKAGE / name for name in NOTICES),
    ]
    assert found == {path.relative_to(REPOSITORY) for path in wanted}


def test_every_picture_that_the_package_carries_is_named_in_a_notice():
    notice = (PACKAGE / "camera/garden/media/NOTICE.md").read_text(encoding="utf-8")
    pictures = [path for kind in ("png", "jpg", "jpeg", "gif", "webp") for path in PACKAGE.rglob(f"*.{kind}")]
    assert pictures
    for path in pictures:
        assert path.parent == PACKAGE / "camera/garden/media"
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        assert f"`{path.name}` | `{digest[:16]}`" in notice


def test_the_pictures_of_the_readme_are_said_to_show_such_animals():
    readme = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    shown = re.findall(r"!\[[^]]*\]\(([^)]+)\)", readme)
    assert {Path(path).parent for path in shown if not path.endswith(".svg")} == {Path("tools/pictures")}
    notice = " ".join((REPOSITORY / "tools/pictures/NOTICE.md").read_text(encoding="utf-8").split())
    assert "Every picture in this folder" in notice
    assert "version 2 or later" in notice
    assert "tools/pictures/NOTICE.md" in readme
