from __future__ import annotations

import os
import pickle
from pathlib import Path

import pytest

from dooryard.config.secrets import LONGEST_SECRET_BYTES, Secret, resolve
from dooryard.core.errors import SinkError

VALUE = "wren-and-thistle"


def secret_file(folder: Path, data: bytes = VALUE.encode(), mode: int = 0o600) -> Path:
    path = folder / "phone.secret"
    path.write_bytes(data)
    path.chmod(mode)
    return path


@pytest.mark.parametrize("mode", [0o600, 0o400])
def test_a_file_that_only_its_owner_reads(tmp_path: Path, mode: int) -> None:
    assert resolve(f"file:{secret_file(tmp_path, mode=mode)}", {}, None).reveal() == VALUE


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644, 0o660, 0o700, 0o777])
def test_a_file_that_others_may_read_is_refused(tmp_path: Path, mode: int) -> None:
    path = secret_file(tmp_path, mode=mode)
    with pytest.raises(SinkError) as caught:
        resolve(f"file:{path}", {}, None)
    assert caught.value.remedy == f"chmod 600 {path}"
    assert VALUE not in str(caught.value)


def test_one_line_ending_is_no_part_of_the_secret(tmp_path: Path) -> None:
    path = secret_file(tmp_path, b"two words \r\n")
    assert resolve(f"file:{path}", {}, None).reveal() == "two words "


def test_a_credential_may_show_group_bits(tmp_path: Path) -> None:
    # The service manager's access lists show up as group bits (common practice, no source).
    (tmp_path / "phone").write_text(VALUE)
    (tmp_path / "phone").chmod(0o440)
    assert resolve("credential:phone", {}, tmp_path).reveal() == VALUE


def test_a_variable() -> None:
    assert resolve("env:PHONE", {"PHONE": VALUE}, None).reveal() == VALUE


@pytest.mark.parametrize(
    "reference",
    ["credential:phone", "credential:../phone", "credential:", "env:PHONE", "file:phone", "file:/nowhere/x",
     VALUE, f"pass:{VALUE}", ""],
)  # fmt: skip
def test_what_is_missing_or_malformed_is_an_error_with_a_remedy(tmp_path: Path, reference: str) -> None:
    for folder in (None, tmp_path):
        with pytest.raises(SinkError) as caught:
            resolve(reference, {}, folder)
        assert caught.value.remedy
        assert VALUE not in str(caught.value)


@pytest.mark.parametrize(
    "data", [b"", b"\n", b"\xff\xfe" + VALUE.encode(), b"x" * (LONGEST_SECRET_BYTES + 1)]
)
def test_a_file_that_holds_no_usable_secret(tmp_path: Path, data: bytes) -> None:
    with pytest.raises(SinkError) as caught:
        resolve(f"file:{secret_file(tmp_path, data)}", {}, None)
    assert VALUE not in repr(caught.value.__cause__)
    assert caught.value.__suppress_context__ or caught.value.__context__ is None


def test_a_pipe_or_folder_is_no_secret_file(tmp_path: Path) -> None:
    with pytest.raises(SinkError):
        resolve(f"file:{tmp_path}", {}, None)
    with pytest.raises(SinkError, match="not a plain file"):
        resolve(f"file:{os.devnull}", {}, None)


def test_a_secret_does_not_show() -> None:
    secret = Secret(VALUE)
    assert VALUE not in f"{secret} {secret!r} {[secret]} {secret!s:>40}"
    with pytest.raises(TypeError):
        pickle.dumps(secret)
