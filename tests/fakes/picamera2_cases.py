"""What picamera2 does in cases that matter here, asked of whatever `import picamera2` finds.

Each case is given a way to set the hardware, and says in a word what came of it. The same cases are put to
the fake (in the test's own process) and to the real class (`python picamera2_cases.py CASE`, a process each).
"""

from __future__ import annotations

import importlib
import json
import os
import sys
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

Set = Callable[..., None]
MAIN, LORES = {"size": (640, 480), "format": "BGR888"}, {"size": (320, 240), "format": "YUV420"}


def _opened(**more: Any) -> Any:
    device = importlib.import_module("picamera2").Picamera2(0)
    wanted = {"main": MAIN, "lores": LORES, "raw": None, "buffer_count": 4}
    wanted["controls"] = {"FrameDurationLimits": (33_333, 33_333)}
    device.configure(device.create_video_configuration(**(wanted | more)))
    return device


def _outcome(work: Callable[[], Any]) -> str:
    """What `work` raises, by type, or that it blocks, or that it is done."""
    told = ["blocks"]

    def run() -> None:
        try:
            work()
            told[0] = "done"
        except BaseException as error:  # noqa: BLE001  (the fake's way of blocking is no Exception)
            name = type(error).__name__
            told[0] = "blocks" if name == "BlocksForeverError" else name

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(3.0)
    return told[0]


def no_camera(set_: Set) -> str:
    set_(cameras=0)
    return _outcome(_opened)


def held_elsewhere(set_: Set) -> str:
    set_(held_elsewhere=True)
    return _outcome(_opened)


def refused_heap_and_then_again(set_: Set) -> str:
    set_(heap="refused")
    first = _outcome(_opened)
    set_(heap="there")
    return f"{first}, {_outcome(_opened)}"


def too_little_memory(set_: Set) -> str:
    set_(heap="full")
    return _outcome(_opened)


def a_small_picture_larger_than_the_large_one(set_: Set) -> str:
    return _outcome(lambda: _opened(lores={"size": (800, 600), "format": "YUV420"}))


def a_small_picture_in_colour(set_: Set) -> str:
    return _outcome(lambda: _opened(lores={"size": (320, 240), "format": "BGR888"}))


def an_unknown_key(set_: Set) -> str:
    return _outcome(lambda: _opened(main=MAIN | {"shape": 4}))


def an_unknown_control(set_: Set) -> str:
    device = _opened()
    return _outcome(lambda: device.set_controls({"LensPosition": 1.0}))


def started_without_a_configuration(set_: Set) -> str:
    device = importlib.import_module("picamera2").Picamera2(0)
    # The real class chooses a configuration of its own where it may.
    return "configured" if device.camera_config else "not configured"


def _crop_in_force(**controls: Any) -> tuple[int, ...]:
    device = _opened()
    device.set_controls(controls)
    device.start()
    request = device.wait(device.capture_request(wait=False), timeout=5.0)
    crop = tuple(request.get_metadata()["ScalerCrop"])
    request.release()
    device.cancel_all_and_flush()
    device.close()
    return crop


def one_crop_on_older_boards(set_: Set) -> str:
    part = (820, 616, 1640, 1232)
    return "holds" if _crop_in_force(ScalerCrop=part) == part else "is ignored"


def one_crop_on_the_newest_boards(set_: Set) -> str:
    set_(newest=True)
    part = (820, 616, 1640, 1232)
    return "holds" if _crop_in_force(ScalerCrop=part) == part else "is ignored"


def both_crops_on_the_newest_boards(set_: Set) -> str:
    set_(newest=True)
    part = (820, 616, 1640, 1232)
    return "holds" if _crop_in_force(ScalerCrop=part, ScalerCrops=[part, part]) == part else "is ignored"


def a_frame_given_back_twice(set_: Set) -> str:
    device = _opened()
    device.start()
    request = device.wait(device.capture_request(wait=False), timeout=5.0)
    request.release()
    return _outcome(request.release)


def a_capture_that_came_too_late(set_: Set) -> str:
    """The frame after goes to the capture that nobody waits for any more."""
    device = _opened()
    device.start()
    set_(frames=False)
    forgotten = device.capture_request(wait=False)
    while True:  # a frame may have been under way
        told = _outcome(partial(device.wait, forgotten, timeout=0.3))
        if told != "done":
            break
        forgotten.get_result(timeout=1.0).release()
        forgotten = device.capture_request(wait=False)
    set_(frames=True)
    second = device.capture_request(wait=False)
    device.wait(second, timeout=5.0)
    first_was_served = _outcome(lambda: device.wait(forgotten, timeout=0.3))
    return f"{told}, then {first_was_served}"


def stop_with_a_capture_that_waits(set_: Set) -> str:
    device = _opened()
    device.start()
    set_(frames=False)
    jobs = [device.capture_request(wait=False) for _ in range(8)]
    told = _outcome(device.stop)
    device.cancel_all_and_flush()
    return f"{told}, {len(jobs)} waiting"


def close_after_cancelling(set_: Set) -> str:
    device = _opened()
    device.start()
    set_(frames=False)
    device.capture_request(wait=False)
    device.cancel_all_and_flush()
    return _outcome(device.close)


CASES: dict[str, Callable[[Set], str]] = {
    name: case
    for name, case in list(globals().items())
    if not name.startswith("_") and getattr(case, "__module__", "") == __name__
}


def _main() -> None:
    file = Path(os.environ["DOORYARD_STANDIN_BOARD"])
    switches: dict[str, Any] = {}

    def set_(**more: Any) -> None:
        switches.update(more)
        file.with_suffix(".new").write_text(json.dumps(switches), encoding="utf-8")
        file.with_suffix(".new").replace(file)

    set_()
    print(CASES[sys.argv[1]](set_), flush=True)
    os._exit(0)


if __name__ == "__main__":
    _main()
