"""What goes wrong with a board's camera library, in words and with the remedy.

The library's errors say little on their own: "Camera __init__ sequence did not complete." hides its
cause one or two steps down the chain. Read from picamera2 0.3.36 (`picamera2.py`, `dma_heap.py`) and
its issues #399, #627 (in use elsewhere) and #972, #1175 (no contiguous memory).
"""

from __future__ import annotations

import errno
import importlib
from typing import Any

from dooryard.core.errors import CameraError

LIBRARY_ERRORS = (RuntimeError, OSError, LookupError, ValueError, TypeError, AttributeError, AssertionError)
"""What picamera2 and libcamera raise, from a camera that is not there to a version that has changed."""

_OFF_FIRST = "switch the power off first, then"  # before anybody touches a wire
_BUSY = ("busy", "in use by another process", "failed to acquire camera", "unexpected code: -16")


def import_picamera2() -> Any:
    """Return the picamera2 module. Raises `CameraError` when it is missing or does not load."""
    try:
        return importlib.import_module("picamera2")
    except ModuleNotFoundError as error:
        raise CameraError(
            f"the camera library cannot be loaded: {error}",
            "install it with `apt install python3-picamera2` and make the virtual environment "
            "with `--system-site-packages`",
        ) from error
    except (ImportError, ValueError, OSError) as error:  # ValueError: built against another numpy
        raise CameraError(
            f"the camera library does not load: {error}",
            "keep the numpy that came with python3-picamera2: uninstall any other from the "
            "virtual environment (on Python 3.11 systems it must be older than 2)",
        ) from error


def import_libcamera() -> Any:
    """Return libcamera's Python part. Raises `CameraError` when it is missing."""
    try:
        return importlib.import_module("libcamera")
    except ImportError as error:
        raise CameraError(
            f"the camera's own library cannot be loaded: {error}",
            "install it with `apt install python3-libcamera`",
        ) from error


def camera_error(error: BaseException, camera_index: int, buffers_mib: float) -> CameraError:
    """Return what `error`, raised while the camera was being opened, means and what to do."""
    chain = _chain(error)
    texts = " / ".join(str(link) for link in chain if str(link))
    if isinstance(error, IndexError) or "no camera number" in texts.lower():  # from 0.3.38 in words
        return CameraError(
            f"no camera number {camera_index} was found",
            f"{_OFF_FIRST} seat the camera's ribbon at both ends, and see that the board detects it",
        )
    if heap := _heap_fault(chain):
        return heap
    if any(_is_out_of_memory(link) for link in chain):
        return CameraError(
            f"no contiguous memory for the camera's buffers (about {buffers_mib:.0f} MiB): {texts}",
            "make the large picture smaller or use fewer buffers; `grep Cma /proc/meminfo` shows what "
            "there is; if it is not given back, restart the board",
        )
    if any(word in texts.lower() for word in _BUSY):
        return CameraError(
            f"the camera is in use by another program: {texts}",
            "stop the other program; one program at a time can hold the camera",
        )
    return CameraError(
        f"the camera does not start: {type(error).__name__}: {texts}",
        f"see the camera's lines in the system journal; if it goes on, {_OFF_FIRST} reseat its ribbon",
    )


def _heap_fault(chain: list[BaseException]) -> CameraError | None:
    """What is wrong with the devices that the buffers' memory comes from; None: nothing."""
    for link in chain:
        if isinstance(link, PermissionError) and "dma_heap" in str(link.filename):
            return CameraError(
                f"the memory for the camera's buffers is refused: {link}",
                "let the service's user into the group video (`sudo usermod -aG video dooryard`), then start "
                "it again; the unit allows the device with DeviceAllow=char-dma_heap",
            )
        if "could not open any dmaheap" in str(link).lower():
            return CameraError(
                "there is no device for the camera's buffers, neither linux,cma nor vidbuf_cached",
                "use the board's own kernel, which has CMA heaps; `ls /dev/dma_heap` shows what there is",
            )
    return None


def _chain(error: BaseException) -> list[BaseException]:
    links = [error]
    while (deeper := links[-1].__cause__ or links[-1].__context__) is not None and deeper not in links:
        links.append(deeper)
    return links


def _is_out_of_memory(error: BaseException) -> bool:
    if isinstance(error, OSError) and error.errno == errno.ENOMEM:
        return True
    text = str(error).lower()
    return "cannot allocate memory" in text or "failed to allocate" in text
