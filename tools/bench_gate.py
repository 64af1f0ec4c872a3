"""How many pictures of nobody the gate takes, how many visits it sees, how late, and at what cost.

    nice -n 10 .venv/bin/python tools/bench_gate.py --quick     a look at the garden, some minutes
    nice -n 10 .venv/bin/python tools/bench_gate.py             all families and peers, many hours
    … --own-only                 this gate alone
    … --minutes-scale 0.1        the same with a tenth of the time drawn
    … --visited-scale 0.5        and half of the time with visitors
    … --fresh                    the last held-out set alone
    … --only gale dusk           some families
    … --stills FOLDER            warped families on photographs too
    … --real FOLDER              a recording with truth (see gate_bench/real.py)

Needs opencv-python-headless and scipy, which the gate itself does without.

Development families (all tuning was done on these): garden breeze, feeder on a hook, cloud, rain; warped
calm, breeze, gale, cloud, exposure, rain, dapple; what was once a second held-out set (still air, fresh
breeze, orchard gale, broken cloud, drizzle, large steps), three beside it (hedge gale, fence gale, breeze
on a hook), what was once a third (quiet morning, blustery noon, autumn gale, racing cloud, shower, stepping
light), and what was once a fourth (grey morning, lively breeze, equinox gale, patchy cloud, steady rain,
jumping exposure).

Held-out families (never looked at while tuning): garden calm, foliage alone, gale, dappled light, exposure
steps, dusk, bright sky, snow, shaking pole; warped leaves alone, wet gale, shaking pole, dusk, clouded
breeze.

The last held-out set, drawn when the gate was finished: still noon, spring breeze, winter gale, drifting
cloud, afternoon rain, restless exposure. `--fresh` measures these alone: five hours of nobody in each class,
two hundred visits, and small birds. Each clip has a wind of its own.

Every gate and peer has a grid of settings. The setting of each is the one with the fewest captures of
nobody on the development families among those that see as many visits as this gate does there; "leave one
family out" chooses it on all families but the one that is measured. All scenes are synthetic.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import cv2

from dooryard.gate import GateSettings
from gate_bench.clip import Clip
from gate_bench.cost import cost_ms
from gate_bench.families import (
    FULL,
    GARDEN_DEVELOPMENT,
    GARDEN_HELD_OUT,
    HELD_OUT,
    QUICK,
    all_clips,
)
from gate_bench.garden_sets import GARDEN_FRESH
from gate_bench.gates import downsampled_gates, every_gate, own_only
from gate_bench.real import real_clip
from gate_bench.runs import fingerprint, kept, run
from gate_bench.tables import (
    Row,
    by_choice,
    by_group,
    by_size,
    choice_line,
    chosen,
    false_text,
    left_out,
    recall_text,
    share,
    total,
)

ROOT = Path(__file__).resolve().parent.parent
OUT = ROOT / "bench-out" / "gate"
OWN = ("dooryard", f"bar {GateSettings().threshold}")


def main() -> int:
    """Run the bench and print its tables."""
    options = _options()
    cv2.setNumThreads(1)
    make = downsampled_gates if options.quick else own_only if options.own_only else every_gate
    clips = _clips(options)
    code = fingerprint([ROOT / "daemon/dooryard/gate", ROOT / "tools/gate_bench"])
    frames = sum(clip.count for clip in clips)
    print(f"{len(clips)} clips, {frames} frames" + ("" if options.real else f"; results are kept in {OUT}"))
    rows = [
        Row(clip.family, clip.wind, choice, one)
        for clip in clips
        # A folder's pictures may have changed: what was found in it earlier is not believed.
        for choice, one in (run(clip, make()) if options.real else kept(clip, make(), OUT, code)).items()
    ]
    if options.real:
        _print_real(rows)
        return 0
    _print_own(rows)
    _print_peers(rows)
    _print_left_out(rows)
    _print_cost(clips)
    return 0


def _clips(options: argparse.Namespace) -> list[Clip]:
    """What is to be measured."""
    if options.real:
        return [real_clip(options.real)]
    amount = QUICK if options.quick else FULL
    scale = options.minutes_scale
    visited = scale if options.visited_scale is None else options.visited_scale
    amount = replace(
        amount,
        empty_min=amount.empty_min * scale,
        visited_min=amount.visited_min * visited,
        gale_empty_min=amount.gale_empty_min * scale,
        fresh_empty_min=amount.fresh_empty_min * scale,
        fresh_visited_min=amount.fresh_visited_min * visited,
    )
    stills = sorted(options.stills.glob("*.jpg")) if options.stills else []
    garden = [*GARDEN_DEVELOPMENT, *GARDEN_HELD_OUT] if options.quick else []
    wanted = frozenset(options.only or (GARDEN_FRESH if options.fresh else garden))
    return all_clips(amount, stills, wanted or None)


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Measure the motion gate against its peers.")
    parser.add_argument("--quick", action="store_true", help="few minutes of each family, one peer")
    parser.add_argument("--own-only", action="store_true", help="this gate without peers")
    parser.add_argument("--minutes-scale", type=float, default=1.0, help="part of the usual time to draw")
    parser.add_argument("--visited-scale", type=float, help="the same for the time with visitors alone")
    parser.add_argument("--stills", type=Path, help="folder of JPEG photographs with nobody in them")
    parser.add_argument("--real", type=Path, help="folder of frames with a truth file")
    parser.add_argument("--fresh", action="store_true", help="the last held-out set alone")
    parser.add_argument("--only", nargs="*", help="names of families")
    return parser.parse_args()


def _print_real(rows: list[Row]) -> None:
    """A folder's own figures: each gate at each setting, since nothing here was tuned on it."""
    print("\nOn this folder, by gate and setting (95 % limits in brackets)")
    for choice, one in by_choice(rows).items():
        print(choice_line(choice, one))
    one = total([row for row in rows if row.choice == OWN])
    print(f"\nThis gate as it ships ({OWN[1]}): median delay {one.late_s():.2f} s; seen by size:")
    print("\n".join(by_size(one)))


def _print_own(rows: list[Row]) -> None:
    own = [row for row in rows if row.choice == OWN]
    print(f"\nThis gate as it ships ({OWN[1]}), by family (95 % limits in brackets)")
    print("\n".join(by_group(own, "family")))
    reject_reason = [row for row in own if row.family in HELD_OUT] or own
    print("\nThe same on held-out families, by class")
    print("\n".join(by_group(reject_reason, "wind")))
    one = total(reject_reason)
    print(
        f"  together: nobody/h {false_text(one)}; seen {recall_text(one)}; median delay {one.late_s():.2f} s"
    )
    print("Seen by size (longer side in a picture 320 wide), held-out families")
    print("\n".join(by_size(one)))


def _print_peers(rows: list[Row]) -> None:
    """Each gate with the setting chosen on development families, on held-out ones."""
    development = [row for row in rows if row.family not in HELD_OUT]
    reject_reason = [row for row in rows if row.family in HELD_OUT]
    gates = list(dict.fromkeys(row.choice[0] for row in rows))
    if not reject_reason or len(gates) < 2:
        return
    if development:
        least = share(by_choice(development)[OWN])
        print(f"\nHeld out, at the setting chosen on development families (at least {least:.3f} seen there)")
        for gate in gates:
            choice = OWN if gate == OWN[0] else chosen(development, gate, least)
            print(choice_line(choice, total(row for row in reject_reason if row.choice == choice)))
    target = share(total(row for row in reject_reason if row.choice == OWN))
    print(f"Held out, at equal recall (at least {target:.3f} seen), with the best setting in hindsight")
    for gate in gates:
        choice = chosen(reject_reason, gate, target)
        print(choice_line(choice, total(row for row in reject_reason if row.choice == choice)))


def _print_left_out(rows: list[Row]) -> None:
    families = list(dict.fromkeys(row.family for row in rows))
    if len(families) < 2:
        return
    least = share(by_choice(rows)[OWN])
    print("\nLeave one family out: the setting of each gate chosen on all other families")
    for gate in dict.fromkeys(row.choice[0] for row in rows):
        some = left_out(rows, gate, least, families)
        one = total(some)
        print(choice_line((gate, ""), one))
        if gate == OWN[0]:
            print("\n".join(by_group(some, "family")))


def _print_cost(clips: list[Clip]) -> None:
    wanted = {"breeze", "gale", "rain", "calm"}
    some = {clip.family: clip for clip in clips if clip.family in wanted and not clip.stays}
    if not some:
        return
    print("\nCPU ms for a 320x240 frame, by turns with MOG2, opening and components on the same frames")
    for family, clip in some.items():
        own, peer = cost_ms(clip)
        print(f"  {family:12s} this gate {own:.3f}   MOG2 {peer:.3f}   ratio {own / peer:.2f}")


if __name__ == "__main__":
    sys.exit(main())
