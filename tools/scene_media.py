"""Take the simulated garden's animals out of the Debian package they come from.

    apt-get download tuxpaint-stamps-default
    python tools/scene_media.py tuxpaint-stamps-default_2022.06.04-1_all.deb

The pictures are copied byte for byte. Left out on purpose: the stamps ``magpie`` and
``rabbit_little``, because the package's change log states no terms of their own for them.
"""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

VERSION = "2022.06.04-1"
PACKAGE_SHA256 = "6db6c1bfc870a47f1499d6203b083522eacb57c5f9c87d468f2e92eb6d9d5f34"
ANIMALS = Path("usr/share/tuxpaint/stamps/animals")
LICENCE = Path("/usr/share/common-licenses/GPL-2")
TARGET = Path(__file__).parents[1] / "daemon/dooryard/camera/garden/media"

# File in the package -> where its terms are stated in the package's changelog.gz.
CHILDSPLAY = "imported from Childsplay (GPL, Stas Zytkiewicz 2002-2005), entry of 2007-07-01"
STAMPS = {
    "birds/blackbird.png": CHILDSPLAY,
    "birds/crow.png": CHILDSPLAY,
    "birds/duck.png": CHILDSPLAY,
    "birds/hen.png": CHILDSPLAY,
    "birds/lark.png": CHILDSPLAY,
    "birds/rooster.png": CHILDSPLAY,
    "birds/pigeon.png": "imported from Childsplay (GPL, Stas Zytkiewicz 2002-2005), entry of 2008-06-27",
    "mammals/badger.png": CHILDSPLAY,
    "mammals/rodents/rabbit.png": CHILDSPLAY,
    "mammals/rodents/rabbit-2.png": "Pere Pujal i Carabantes, GPL v2 or higher, entry of 2009-06-28",
    "mammals/rodents/squirrel.png": CHILDSPLAY,
}

NOTICE = """\
# Third-party media: not part of the Apache-2.0 program

The PNG files in this folder are third-party media. They are not part of the program Dooryard and are
not under its Apache-2.0 licence. They are copied unchanged from the Debian package
`tuxpaint-stamps-default`, version {version} (source package `tuxpaint-stamps`,
http://www.tuxpaint.org/; package file sha256 `{sha256}`), copyright 2002-2022 by
Bill Kendrick and the contributors that the package names.

Licence: the GNU General Public License, version 2 (or, as the package's copyright file grants, any later
version). Its text is in `GPL-2.txt` beside this notice.

The program reads these files as data to draw a simulated garden for tests and for the demonstration.
A box that watches a real garden needs none of them; the folder may be removed.

`tools/scene_media.py` makes this folder again from the package file. Terms, as the package's change log
states them for each stamp:

| file | sha256 (first 16 digits) | terms in the change log |
| --- | --- | --- |
{rows}

Left out: `birds/magpie.png` and `mammals/rabbit_little.png`, for which the change log states no terms of
their own.
"""


def main(package: Path) -> int:
    """Fill the media folder from `package`; return the process's exit code."""
    found = hashlib.sha256(package.read_bytes()).hexdigest()
    if found != PACKAGE_SHA256:
        print(f"{package}: sha256 is {found}, expected {PACKAGE_SHA256}", file=sys.stderr)
        return 1
    TARGET.mkdir(parents=True, exist_ok=True)
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(["dpkg-deb", "-x", str(package), folder], check=True)
        for stamp, terms in sorted(STAMPS.items()):
            source = Path(folder) / ANIMALS / stamp
            target = TARGET / source.name
            shutil.copyfile(source, target)
            digest = hashlib.sha256(target.read_bytes()).hexdigest()
            rows.append(f"| `{target.name}` | `{digest[:16]}` | {terms} |")
    shutil.copyfile(LICENCE, TARGET / "GPL-2.txt")
    notice = NOTICE.format(version=VERSION, sha256=PACKAGE_SHA256, rows="\n".join(rows))
    (TARGET / "NOTICE.md").write_text(notice, encoding="utf-8")
    print(f"{len(rows)} pictures in {TARGET}")
    return 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    sys.exit(main(Path(sys.argv[1])))
