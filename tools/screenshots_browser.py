"""A headless Chromium, spoken to over two pipes: no driver, no port, nothing to install beside it.

Source of the calls: the Chrome DevTools Protocol (Page, Network, Emulation, Runtime, Target); over
``--remote-debugging-pipe`` each message is JSON with a zero byte after it, read from descriptor 3 and
written to descriptor 4.
"""

from __future__ import annotations

import base64
import fcntl
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
_DEADLINE_S = 30.0
_PICTURES_READY = """Promise.all([...document.images].map(
    picture => { picture.loading = "eager"; return picture.decode().catch(() => 0); }))"""


def find() -> str | None:
    """The browser's path; the variable CHROMIUM goes first."""
    chosen = os.environ.get("CHROMIUM")
    return chosen or next((path for name in NAMES if (path := shutil.which(name))), None)


class Browser:
    """One browser with one page. Use it as a context manager."""

    def __init__(self, path: str) -> None:
        self._profile = tempfile.TemporaryDirectory(prefix="dooryard-browser-")
        theirs, self._write = os.pipe()
        self._read, ours = os.pipe()
        # Out of the way of 3 and 4, which the child's ends become.
        to_read, to_write = (fcntl.fcntl(each, fcntl.F_DUPFD_CLOEXEC, 16) for each in (theirs, ours))
        flags = [
            "--headless=new", "--remote-debugging-pipe", "--no-sandbox", "--disable-gpu", "--no-first-run",
            "--disable-dev-shm-usage", "--hide-scrollbars", "--disable-background-networking",
            "--disable-component-update", "--disable-sync", "--disable-extensions",
            f"--user-data-dir={self._profile.name}",
        ]  # fmt: skip

        def put_in_place() -> None:
            os.dup2(to_read, 3)
            os.dup2(to_write, 4)

        # The descriptors 3 and 4 belong to the child alone, so they are set between fork and exec.
        self._process = subprocess.Popen(
            [path, *flags, "about:blank"],
            preexec_fn=put_in_place,  # noqa: PLW1509  (no threads run here)
            close_fds=False,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for each in (theirs, ours, to_read, to_write):
            os.close(each)
        self._buffer = b""
        self._number = 0
        self.events: list[dict[str, Any]] = []
        targets = self.call("Target.getTargets", session=None)["targetInfos"]
        page = next(target for target in targets if target["type"] == "page")
        attached = self.call(
            "Target.attachToTarget", {"targetId": page["targetId"], "flatten": True}, session=None
        )
        self._session: str = attached["sessionId"]
        for domain in ("Page", "Network", "Runtime"):
            self.call(f"{domain}.enable")
        self.call("Page.setBypassCSP", {"enabled": True})

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._write)
        self._process.terminate()
        self._process.wait(10)
        os.close(self._read)
        self._profile.cleanup()

    def call(self, method: str, values: dict[str, Any] | None = None, session: str | None = "") -> Any:
        """Call `method` and return its result; events that come meanwhile go to `events`."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": values or {}}
        if session == "":
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + b"\0")
        number = self._number
        answer = self._until(lambda got: got.get("id") == number)
        if "error" in answer:
            raise RuntimeError(f"{method}: {answer['error']['message']}")
        return answer["result"]

    def _until(self, wanted: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
        deadline = time.monotonic() + _DEADLINE_S
        while True:
            head, zero, rest = self._buffer.partition(b"\0")
            if zero:
                self._buffer = rest
                got: dict[str, Any] = json.loads(head)
                if wanted(got):
                    return got
                if "method" in got:
                    self.events.append(got)
                continue
            left_s = deadline - time.monotonic()
            if left_s <= 0 or not select.select([self._read], [], [], left_s)[0]:
                raise TimeoutError("the browser did not answer in time")
            data = os.read(self._read, 1 << 20)
            if not data:
                raise RuntimeError("the browser ended")
            self._buffer += data

    def view(self, width: int, height: int, *, dark: bool = False, scale: float = 1.0) -> None:
        """Set the window's size in CSS pixels, and whether the viewer likes it dark."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": scale, "mobile": width < 600},
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", {"features": [scheme]})

    def open(self, address: str) -> list[str]:
        """Go to `address`, wait until it is loaded, and return the addresses of all requests it made."""
        self.events.clear()
        self.call("Page.navigate", {"url": address})
        self.wait_loaded()
        self.run(_PICTURES_READY)
        sent = [event for event in self.events if event["method"] == "Network.requestWillBeSent"]
        return [event["params"]["request"]["url"] for event in sent]

    def wait_loaded(self) -> None:
        """Wait until a page has loaded since `events` was cleared."""
        if not any(event["method"] == "Page.loadEventFired" for event in self.events):
            self._until(lambda got: got.get("method") == "Page.loadEventFired")

    def run(self, script: str) -> Any:
        """The value of `script`, waited for."""
        values = {"expression": script, "awaitPromise": True, "returnByValue": True}
        result = self.call("Runtime.evaluate", values)
        if "exceptionDetails" in result:
            raise RuntimeError(str(result["exceptionDetails"]))
        return result["result"].get("value")

    def shot(self, file: Path, *, whole: bool = True) -> None:
        """The `whole` page, or what the window shows, as PNG or JPEG by the name of `file`."""
        values: dict[str, Any] = {"format": "png", "captureBeyondViewport": whole}
        if file.suffix == ".jpg":
            values |= {"format": "jpeg", "quality": 82}
        if whole:
            size = self.call("Page.getLayoutMetrics")["cssContentSize"]
            values["clip"] = {
                "x": 0,
                "y": 0,
                "width": size["width"],
                "height": min(size["height"], 6000),
                "scale": 1,
            }
        file.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", values)["data"]))
