"""What `dooryard aim` costs with two viewers at 2 pictures a second each, beside `dooryard run`.

    python tools/bench_aim.py [--seconds 20] [--json]

Both run as processes of their own with the same box file (`bench_idle.BOX`: a fake camera that gives 5 frames
a second in real time); their CPU time is read from the kernel. The viewers ask over loopback, as the page
does, from this process. The fake's pictures have 640×480 pixels and the board's 1640×1232: what those cost
more, to make a JPEG of and to take the focus in, is timed in this process on a drawn garden and added. What a
board's camera needs to hand over a large picture is not in it.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from urllib.parse import urlsplit

import psutil

from bench_idle import BOX, PATIENCE_S, WARM_S, measure_service
from dooryard.aim.focus import focus_score
from dooryard.aim.live import MOST_VIEWERS, jpeg_of
from dooryard.camera.garden.families import PRESETS
from dooryard.camera.scene import SceneCamera
from dooryard.core.records import Rgb

PICTURES_PER_S = 2.0
MOST_MORE = 0.10  # of one core
SMALL, LARGE = (640, 480), (1640, 1232)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", maxsplit=1)[0])
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--json", action="store_true")
    chosen = parser.parse_args()
    with TemporaryDirectory() as folder:
        measured = {"run_of_a_core": measure_service(Path(folder), chosen.seconds)["of_a_core"]}
        measured |= measure_aim(Path(folder), chosen.seconds)
    for name, size in (("small", SMALL), ("large", LARGE)):
        picture = drawn(size)
        measured[f"jpeg_{name}_ms"] = cpu_ms(partial(jpeg_of, picture))
        measured[f"focus_{name}_ms"] = cpu_ms(partial(focus_score, picture))
    measured["more_of_a_core"] = measured["aim_of_a_core"] - measured["run_of_a_core"]
    jpeg_ms = measured["jpeg_large_ms"] - measured["jpeg_small_ms"]
    focus_ms = measured["focus_large_ms"] - measured["focus_small_ms"]
    larger_ms = PICTURES_PER_S * (jpeg_ms + MOST_VIEWERS * focus_ms)
    measured["more_at_1640_of_a_core"] = measured["more_of_a_core"] + larger_ms / 1000
    print(json.dumps(measured) if chosen.json else in_words(measured))
    shown = measured["pictures_per_s"] >= 0.9 * PICTURES_PER_S
    return 0 if shown and measured["more_at_1640_of_a_core"] <= MOST_MORE else 1


def measure_aim(home: Path, seconds: float) -> dict[str, float]:
    """The page's use of a core in `home`, looked at by as many as may, and how often each got a picture."""
    (home / "box.toml").write_text(BOX, encoding="utf-8")
    command = [sys.executable, "-m", "dooryard", "aim", "--serve", "127.0.0.1", "--port", "0"]
    command += ["--box", str(home / "box.toml"), "--frames-per-s", str(PICTURES_PER_S)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    viewers = [Viewer(f"viewer{number:02d}") for number in range(MOST_VIEWERS)]
    try:
        link = link_of(process)
        for viewer in viewers:
            viewer.start(link)
        time.sleep(WARM_S)
        service, begun_s = psutil.Process(process.pid), time.monotonic()
        before, had = service.cpu_times(), [viewer.pictures for viewer in viewers]
        time.sleep(seconds)
        after, took_s = service.cpu_times(), time.monotonic() - begun_s
        got = [viewer.pictures - each for viewer, each in zip(viewers, had, strict=True)]
        cpu_s = after.user + after.system - before.user - before.system
        return {"aim_of_a_core": cpu_s / took_s, "pictures_per_s": min(got) / took_s, "seconds": took_s}
    finally:
        for viewer in viewers:
            viewer.done.set()
        process.terminate()
        process.wait(PATIENCE_S)


def link_of(process: subprocess.Popen[str]) -> str:
    """The page's link, once the command tells it. Raises RuntimeError where it ends without."""
    assert process.stdout is not None
    for line in process.stdout:
        if found := re.search(r"http://\S+", line):
            return found.group()
    raise RuntimeError("dooryard aim ended before it told its link; run it by hand to see why")


class Viewer:
    """Asks for pictures one after the other, as the page does."""

    def __init__(self, name: str) -> None:
        self.name, self.pictures, self.done = name, 0, threading.Event()

    def start(self, link: str) -> None:
        threading.Thread(target=self._look, args=(link,), daemon=True).start()

    def _look(self, link: str) -> None:
        where, token = urlsplit(link), link.rpartition("/")[2]
        path, headers = f"/look?viewer={self.name}", {"Cookie": f"dooryard-aim={token}"}
        while not self.done.is_set():
            connection = http.client.HTTPConnection(where.hostname or "", where.port, timeout=PATIENCE_S)
            with contextlib.closing(connection):
                connection.request("GET", path, headers=headers)
                try:
                    answer = connection.getresponse()
                except ConnectionError:
                    if self.done.is_set():  # the page has been ended while this waited for a picture
                        return
                    raise
                self.pictures += answer.status == http.HTTPStatus.OK and bool(answer.read())


def drawn(size: tuple[int, int]) -> Rgb:
    """A picture of the simulated garden, `size` being (width, height)."""
    garden = replace(PRESETS["alder row afternoon"](), width=size[0], height=size[1])
    camera = SceneCamera(garden)
    camera.open()
    return camera.read(1.0).large()


def cpu_ms(work: Callable[[], object], times: int = 20) -> float:
    """Milliseconds of one core that `work` takes, on the average."""
    work()
    begun_s = time.process_time()
    for _ in range(times):
        work()
    return 1000 * (time.process_time() - begun_s) / times


def in_words(measured: dict[str, float]) -> str:
    """The figures, one line each."""
    return (
        f"run: {measured['run_of_a_core']:.1%} of a core; aim with {MOST_VIEWERS} viewers at "
        f"{measured['pictures_per_s']:.2f} pictures a second each: {measured['aim_of_a_core']:.1%}, "
        f"so {measured['more_of_a_core']:.1%} more\n"
        f"a picture of 1640×1232: {measured['jpeg_large_ms']:.1f} ms for the JPEG, "
        f"{measured['focus_large_ms']:.1f} ms for a viewer's focus "
        f"(640×480: {measured['jpeg_small_ms']:.1f} and {measured['focus_small_ms']:.1f} ms)\n"
        f"with such pictures: {measured['more_at_1640_of_a_core']:.1%} of a core more than run "
        f"(wanted: at most {MOST_MORE:.0%})"
    )


if __name__ == "__main__":
    sys.exit(main())
