"""Step 2, the motion gate: which frames are worth the classifier's time.

watch              one frame in, motions out: start here
settings           what the owner may say
grid, blobs        cells, filters, connected components
background         one frame against the empty view; shake takes a shaking pole out, modes the known wind
score              blobs with scores and reasons; shape asks whether a blob is a body, evidence for how long
region_thresholds  what the place teaches: the wind (transients), and the thresholds that follow (tail)
scene_change       when most of the view has changed for good
verdicts           what the classifier teaches; "has this box changed back?"
tally              counts per hour by reason
state, store       what is remembered, and its bytes
report             all that, explained
"""

from dooryard.gate.feedback import changed_back, learn
from dooryard.gate.report import GateReport, report
from dooryard.gate.settings import GateSettings, problems
from dooryard.gate.state import GateState
from dooryard.gate.store import load, save
from dooryard.gate.watch import watch

__all__ = [
    "GateReport",
    "GateSettings",
    "GateState",
    "changed_back",
    "learn",
    "load",
    "problems",
    "report",
    "save",
    "watch",
]
