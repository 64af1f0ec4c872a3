"""Each clip is drawn once, shown to every gate, and what came of it is kept as JSON."""

from __future__ import annotations

import hashlib
import json
import time
from pathlib import Path
from typing import Any

from gate_bench.clip import Clip
from gate_bench.gates import Choice, Gate
from gate_bench.measure import Count, Fired, Seen, count

Results = dict[Choice, Count]


def run(clip: Clip, gates: list[Gate]) -> Results:
    """Show every frame of `clip` to every gate."""
    fired: dict[Choice, Fired] = {}
    for number, luma in enumerate(clip.frames()):
        for gate in gates:
            for choice, boxes in gate.step(luma, number / clip.frames_per_s).items():
                fired.setdefault(choice, []).append(boxes)
    return {choice: count(clip, boxes) for choice, boxes in fired.items()}


def kept(clip: Clip, gates: list[Gate], folder: Path, code: str) -> Results:
    """`run`, or what an earlier run with the same code and clip left in `folder`."""
    label = f"{clip.name}|{clip.count}|{code}|{[gate.names for gate in gates]}"
    path = folder / f"{hashlib.sha256(label.encode()).hexdigest()[:24]}.json"
    if path.exists():
        return _read(json.loads(path.read_text()))
    begin = time.monotonic()
    results = run(clip, gates)
    folder.mkdir(parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    part.write_text(json.dumps(_written(results)))
    part.replace(path)
    print(f"  {clip.name}: {clip.count} frames in {time.monotonic() - begin:.0f} s", flush=True)
    return results


def fingerprint(folders: list[Path]) -> str:
    """Hash of all Python files in `folders`: results of other code are not used again."""
    total = hashlib.sha256()
    for folder in folders:
        for path in sorted(folder.rglob("*.py")):
            total.update(path.read_bytes())
    return total.hexdigest()[:16]


def _written(results: Results) -> list[list[object]]:
    return [
        [*choice, one.false, one.empty_h, [[seen.longer_px, seen.late_s] for seen in one.visits]]
        for choice, one in results.items()
    ]


def _read(data: list[Any]) -> Results:
    return {
        (gate, setting): Count(false, empty_h, [Seen(px, late) for px, late in visits])
        for gate, setting, false, empty_h, visits in data
    }
