"""The only place that loads onnxruntime, so that its telemetry is off before its first line runs.

The packages of release 1.32 for Linux carry a client that reports to the maker of the library: it looks up a
host and sends there within seconds of the first session. It reads the variable as the library is loaded; the
library's own switch can only be called after that, so both are used.
"""

from __future__ import annotations

import importlib
import os
from typing import Any

SWITCH = "ORT_DISABLE_TELEMETRY"


def silence(environ: Any = os.environ) -> None:
    """Have onnxruntime report nothing, in this process and in those that it starts: before its import."""
    environ[SWITCH] = "1"


def load(part: str = "") -> Any:
    """Return the module onnxruntime, or its `part` (such as "quantization"), with telemetry off.

    Raises ImportError where it cannot be loaded.
    """
    silence()
    import onnxruntime

    onnxruntime.disable_telemetry_events()
    return importlib.import_module(f"onnxruntime.{part}") if part else onnxruntime
