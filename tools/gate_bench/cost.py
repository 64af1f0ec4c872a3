"""CPU time of a frame: this gate and MOG2 with opening and components, by turns on the same frames."""

from __future__ import annotations

import time

import cv2
import numpy as np

from dooryard.gate import GateSettings, watch
from gate_bench.clip import Clip
from gate_bench.gates import OPENING, mog2


def cost_ms(clip: Clip, skip: int = 300, most: int = 1500) -> tuple[float, float]:
    """Mean CPU ms a frame of (this gate, the peer), after `skip` frames of warming up."""
    cv2.setNumThreads(1)
    model, settings, state = mog2(16.0)(), GateSettings(), None
    own, peer = [], []
    for number, luma in enumerate(clip.frames()):
        if number >= skip + most:
            break
        begin = time.process_time_ns()
        state, _ = watch(state, luma, number / clip.frames_per_s, settings)
        middle = time.process_time_ns()
        mask = (model.apply(luma) == 255).astype(np.uint8)
        cv2.connectedComponentsWithStats(cv2.morphologyEx(mask, cv2.MORPH_OPEN, OPENING))
        end = time.process_time_ns()
        if number >= skip:
            own.append(middle - begin)
            peer.append(end - middle)
    return float(np.mean(own)) / 1e6, float(np.mean(peer)) / 1e6
