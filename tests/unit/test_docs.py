"""What the README says is so: every command, exit code, key and sample."""

from __future__ import annotations

import argparse
import io
import re
import subprocess
import sys
from pathlib import Path

import pytest

import readme
from dooryard.classify import card, labels
from dooryard.cli import main
from dooryard.cli.check import check
from dooryard.core import errors
from dooryard.service import build
from fakes.boxes import SECOND_PHONE, with_all_parts

ROOT = Path(__file__).resolve().parent.parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
TEXTS = {
    str(path.relative_to(ROOT)): path.read_text(encoding="utf-8")
    for path in (
        ROOT / "README.md",
        ROOT / "DEVELOPERS.md",
        *(ROOT / name / "README.md" for name in ("policies", "systemd", "tools")),
        *sorted((ROOT / "daemon" / "dooryard").glob("*/README.md")),
    )
}


def commands():
    (actions,) = [a for a in main._parser()._actions if isinstance(a, argparse._SubParsersAction)]
    return actions.choices


def test_the_generated_parts_are_up_to_date():
    for name in readme.FILES:
        assert readme.filled(TEXTS[name]) == TEXTS[name], "run python tools/readme.py"
    for part in readme.sections():
        assert sum(f"<!-- {part}, by tools/readme.py -->" in text for text in TEXTS.values()) == 1


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_is_in_the_readme_with_its_options(name):
    (row,) = re.findall(rf"^- `dooryard {name}[^`]*`", README, re.MULTILINE)
    for action in commands()[name]._actions:
        for option in action.option_strings:
            if option.startswith("--") and option not in {"--help", "--verbose"}:
                assert option in row, f"{option} is not in the README's row of {name}"


def test_the_readme_names_no_command_that_is_not_there():
    named = set(re.findall(r"`dooryard ([a-z-]+)", README))
    assert named <= set(commands())


def test_exit_codes_are_unique_and_each_error_has_one():
    kinds = errors.DooryardError.__subclasses__()
    codes = [kind.exit_code for kind in kinds]
    assert len(set(codes)) == len(codes)
    assert not {0, 1, 2} & set(codes)
    assert all(kind.__doc__ for kind in kinds)


def test_every_key_of_a_models_card_and_column_of_its_labels_is_in_the_developers_guide():
    (paragraph,) = re.findall(r"(?ms)^\*\*a model\.\*\*.*?^$", DEVELOPERS)
    source = (ROOT / "daemon" / "dooryard" / "classify" / "card.py").read_text(encoding="utf-8")
    keys = set(re.findall(r'_of\((?:data|entry|out|table), "(\w+)"', source))
    keys |= set(re.findall(r'"(\w+)"', " ".join(re.findall(r"for key in \((.*?)\)", source))))
    keys |= {*card._LAYOUT, *labels.COLUMNS}
    assert {"model_sha256", "side_px", "type", "mean", "feature_count", "mammal", "scientific"} <= keys
    unsaid = {key for key in keys if f"`{key}`" not in paragraph and f"`[{key}]`" not in paragraph}
    assert not unsaid


@pytest.mark.parametrize("file", sorted((ROOT / "policies").glob("*.toml")), ids=lambda f: f.name)
def test_every_sample_policy_is_right_for_the_sample_box(file, tmp_path):
    box = ROOT / "systemd" / "box.toml"
    if file.name == "south-wall.toml":  # says that it needs sensors that are extra parts
        box = tmp_path / "box.toml"
        box.write_text(with_all_parts(), encoding="utf-8")
    if file.name == "two-phones.toml":  # and this, that it needs another sink
        another = box.read_text(encoding="utf-8") + SECOND_PHONE
        box = tmp_path / "box.toml"
        box.write_text(another, encoding="utf-8")
    out = io.StringIO()
    code = check([box, file], out, visitors_of=build.visitors)
    assert code == 0, out.getvalue()
    assert "warning" not in out.getvalue()


@pytest.mark.parametrize("file", TEXTS)
def test_every_file_that_is_named_exists(file):
    text = TEXTS[file]
    named = set(re.findall(r"`((?:tools|daemon|tests|policies|systemd)/[\w./-]*\w)`", text))
    assert {name for name in named if not (ROOT / name.split("::")[0]).exists()} == set()
    linked = set(re.findall(r"\]\(([^)#:\s]+)(?:#[\w-]+)?\)", text))
    assert {link for link in linked if not ((ROOT / file).parent / link).exists()} == set()


@pytest.mark.parametrize("file", TEXTS)
def test_every_link_to_a_heading_finds_one(file):
    for target, anchor in re.findall(r"\]\(([^)#:\s]*)#([\w-]+)\)", TEXTS[file]):
        path = ((ROOT / file).parent / target).resolve() if target else ROOT / file
        headings = re.findall(r"^#+ (.*)$", path.read_text(encoding="utf-8"), re.MULTILINE)
        slugs = {re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-") for heading in headings}
        assert anchor in slugs, f"{file}: {target}#{anchor}"


@pytest.mark.parametrize("file", TEXTS)
def test_tables_are_narrow_enough_to_be_read(file):
    for line in TEXTS[file].splitlines():
        if line.startswith("|"):
            assert max(len(cell.strip()) for cell in line.strip("|").split("|")) <= 120, line


def test_the_main_texts_are_short():
    assert len(README.splitlines()) <= 250
    assert len(DEVELOPERS.splitlines()) <= 200


def test_the_command_line_is_quick_and_loads_no_model_runtime():
    """Half a second is the bound; what loads is what counts, so that is what is checked."""
    code = (
        "import sys, dooryard.cli.main\n"
        "loaded = {'onnxruntime', 'numpy', 'pydantic', 'PIL', 'requests'} & set(sys.modules)\n"
        "sys.exit(str(loaded) if loaded else 0)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_help_tells_of_every_command(capsys):
    with pytest.raises(SystemExit):
        main.main(["--help"])
    text = capsys.readouterr().out
    assert all(name in text for name in commands())
