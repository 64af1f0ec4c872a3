"""What the throttle steps mean to the pipeline. Pure."""

from __future__ import annotations

import math
from dataclasses import replace

from dooryard.health.thermal import Throttle
from dooryard.pipeline import Conditions


def throttled_conditions(conditions: Conditions, throttle: Throttle) -> Conditions:
    """`conditions` with as long a wait between looks as the throttle asks; never shorter than without.

    What goes first are background samples: looks that nobody waits for.
    """
    wait_s = throttle.look_every_s
    if wait_s is None or wait_s <= conditions.look_every_s:
        return conditions
    return replace(conditions, look_every_s=wait_s, sample_every_s=math.inf)
