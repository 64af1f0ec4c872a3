"""What the demo ends with: truth, store and what arrived, side by side."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import sys
from contextlib import closing
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from PIL import Image, ImageDraw

from dooryard.camera.garden.families import alder_row_afternoon
from dooryard.camera.garden.plan import GardenPlan
from dooryard.core.clock import FakeClock
from dooryard.core.records import Visitor
from dooryard.core.wording import percent
from dooryard.journal.commands import JournalContext, journal
from dooryard.policy.parse import parse_policy

ZONE = ZoneInfo("Europe/London")
PEERS = {"phone": "webhook", "post": "mail"}
NEAR_S = 6.0  # a visit may be noticed, or left, this much before or after the truth


@dataclass(frozen=True)
class Stored:
    """A visit as the store has it."""

    id: str
    start: datetime
    last_seen: datetime
    name: str
    sure: float
    outcome: str
    reason: str
    picture: str | None
    sinks: tuple[str, ...]


def report(out: Path) -> int:
    """Print the tables and return the exit code."""
    plan = GardenPlan(alder_row_afternoon())
    with closing(sqlite3.connect(f"file:{out / 'state' / 'dooryard.sqlite3'}?mode=ro", uri=True)) as db:
        db.row_factory = sqlite3.Row
        visits = stored_visits(db)
        faults = compare(db, out)
    matched = match(plan, visits)
    print_table(plan, visits, matched, copy_pictures(visits, out))
    print_wind(plan, visits, matched)
    print_memory(out)
    print()
    for fault in faults:
        print(f"  FAULT: {fault}")
    if not faults:
        print(
            "What arrived at the receiver and at the mail server is what was stored, each alert once or more"
        )
        print("under one id, with the very picture that was stored.")
    contact_sheet(out)
    print()
    pages(out)
    print(f"\nPictures: {out / 'pictures'} (all on one: {out / 'told.jpg'})    log: {out / 'daemon.log'}")
    return 1 if faults else 0


def stored_visits(db: sqlite3.Connection) -> list[Stored]:
    rows = db.execute(
        "SELECT v.*, d.reason, d.sinks FROM visits v JOIN decisions d ON d.visit = v.id ORDER BY start_wall"
    )
    return [
        Stored(
            id=row["id"],
            start=datetime.fromisoformat(row["start_wall"]),
            last_seen=datetime.fromisoformat(row["last_seen_wall"]),
            name=Visitor(row["group_name"], row["sure"], row["species"]).name,
            sure=row["sure"],
            outcome=row["outcome"],
            reason=row["reason"],
            picture=row["picture"],
            sinks=tuple(json.loads(row["sinks"])),
        )
        for row in rows
    ]


def match(plan: GardenPlan, visits: list[Stored]) -> dict[str, int | None]:
    """Stored visit id -> number of the true visit that it overlaps most in time; None: nobody was there."""
    begin, near = plan.settings.start, timedelta(seconds=NEAR_S)
    found: dict[str, int | None] = {}
    for visit in visits:
        best, best_s = None, 0.0
        for truth in plan.visits:
            start, end = begin + timedelta(seconds=truth.start_s), begin + timedelta(seconds=truth.end_s)
            shared_s = (min(end + near, visit.last_seen) - max(start - near, visit.start)).total_seconds()
            if visit.last_seen == visit.start and start - near <= visit.start <= end + near:
                shared_s = 0.1
            if shared_s > best_s:
                best, best_s = truth.number, shared_s
        found[visit.id] = best
    return found


def print_table(
    plan: GardenPlan, visits: list[Stored], matched: dict[str, int | None], pictures: dict[str, str]
) -> None:
    print(f"{'came':9}{'who really came':17}{'stayed':>7}   {'the box said':27}{'sure':>5}  what was done")
    for truth in plan.visits:
        came = plan.settings.start + timedelta(seconds=truth.start_s)
        left = f"{came.astimezone(ZONE):%H:%M:%S} {truth.species:17}{truth.end_s - truth.start_s:5.0f} s   "
        mine = [visit for visit in visits if matched[visit.id] == truth.number]
        if not mine:
            print(f"{left}nothing: it was missed")
        for visit in mine:
            print(f"{left}{visit.name:27}{percent(visit.sure):>5}  {done(visit, pictures)}")
            left = f"{'':9}{'  (again)':17}{'':10}"
    for visit in visits:
        if matched[visit.id] is None:
            left = f"{visit.start.astimezone(ZONE):%H:%M:%S} {'NOBODY':17}{'':10}"
            print(f"{left}{visit.name:27}{percent(visit.sure):>5}  {done(visit, pictures)}")


def done(visit: Stored, pictures: dict[str, str]) -> str:
    if visit.outcome == "told":
        return f"told to {' and '.join(visit.sinks)}: {pictures.get(visit.id, 'no picture')}"
    return f"{visit.outcome}: {visit.reason.rsplit(': ', 1)[-1]}"


def print_wind(plan: GardenPlan, visits: list[Stored], matched: dict[str, int | None]) -> None:
    """How many gusts blew while nobody was there, and what came of them."""
    alone = [
        gust
        for gust in plan.gusts
        if not any(v.start_s < gust.end_s and gust.start_s < v.end_s for v in plan.visits)
    ]
    false = [visit for visit in visits if matched[visit.id] is None]
    told = [visit for visit in false if visit.outcome == "told"]
    print(
        f"\n{len(plan.gusts)} gusts blew, {len(alone)} of them while nobody was there. Visits stored when "
        f"nobody was there: {len(false)}; told: {len(told)}."
    )


def print_memory(out: Path) -> None:
    for line in reversed((out / "daemon.log").read_text().splitlines()):
        if " stopped " in line:
            facts = dict(part.split("=", 1) for part in line.split(" stopped ", 1)[1].split(" "))
            print(f"{facts['frames']} frames, {facts['looks']} looks by the classifier.", end=" ")
            print(f"The daemon's peak memory was {facts['peak_memory_mb']} MB.")
            return


def copy_pictures(visits: list[Stored], out: Path) -> dict[str, str]:
    """Give each told picture a name that a person can read. Visit id -> file name."""
    folder = out / "pictures"
    folder.mkdir(exist_ok=True)
    names = {}
    for visit in visits:
        if visit.outcome == "told" and visit.picture:
            word = visit.name.removeprefix("a ").split(",")[0].replace(" ", "-")
            names[visit.id] = f"{visit.start.astimezone(ZONE):%H%M%S}-{word}.jpg"
            shutil.copyfile(out / "state" / "pictures" / visit.picture, folder / names[visit.id])
    return names


def pages(out: Path) -> None:
    """Build the journal of the afternoon."""
    text = (Path(__file__).parent / "demo_policy.toml").read_text()
    policy = parse_policy(text, "demo_policy.toml").value
    garden = alder_row_afternoon()
    end = FakeClock(garden.start + timedelta(seconds=garden.duration_s))
    context = JournalContext(out / "state", policy, end, sys.stdout, "alder-row")
    journal(context, out / "journal")


def contact_sheet(out: Path) -> None:
    """All told pictures on one sheet, three across, each with its name."""
    files = sorted((out / "pictures").glob("*.jpg"))
    width, height, gap, words = 320, 240, 6, 18
    rows = -(-len(files) // 3)
    size = (3 * width + 4 * gap, rows * (height + words + gap) + gap)
    sheet = Image.new("RGB", size, (250, 246, 238))
    draw = ImageDraw.Draw(sheet)
    for i, file in enumerate(files):
        x, y = gap + i % 3 * (width + gap), gap + i // 3 * (height + words + gap)
        with Image.open(file) as picture:
            sheet.paste(picture.resize((width, height)), (x, y))
        time, _, who = file.stem.partition("-")
        draw.text((x, y + height + 3), f"{time[:2]}:{time[2:4]}:{time[4:]}  {who}", fill=(60, 48, 36))
    sheet.save(out / "told.jpg", quality=85)


def compare(db: sqlite3.Connection, out: Path) -> list[str]:
    """Every way in which what arrived differs from what is stored; empty when all is well."""
    faults = []
    rows = db.execute(
        "SELECT d.alert, d.sink, d.state, a.picture, a.title"
        " FROM deliveries d JOIN alerts a ON a.id = d.alert"
    ).fetchall()
    if not rows:
        faults.append("nothing was told at all")
    arrived = {sink: received(out / kind) for sink, kind in PEERS.items()}
    for row in rows:
        what = f"alert {row['alert']} ({row['title']}) to {row['sink']}"
        lines = arrived[row["sink"]].pop(row["alert"], [])
        if row["state"] != "sent":
            faults.append(f"{what}: not sent but {row['state']}")
        if not lines:
            faults.append(f"{what}: did not arrive")
        sha256 = picture_sha256(out, row["picture"])
        if any(line["picture_sha256"] != sha256 for line in lines):
            faults.append(f"{what}: another picture arrived than the one stored")
    for sink, rest in arrived.items():
        faults += [f"{alert} arrived at {sink} but is not stored" for alert in rest]
    return faults


def received(folder: Path) -> dict[str, list[dict[str, str]]]:
    found: dict[str, list[dict[str, str]]] = {}
    file = folder / "received.jsonl"
    for line in file.read_text().splitlines() if file.exists() else []:
        entry = json.loads(line)
        found.setdefault(entry["id"], []).append(entry)
    return found


def picture_sha256(out: Path, picture: str | None) -> str | None:
    if picture is None:
        return None
    return hashlib.sha256((out / "state" / "pictures" / picture).read_bytes()).hexdigest()
