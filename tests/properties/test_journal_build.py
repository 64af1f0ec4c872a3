"""A law of the build: whatever happened, and however often it was built in between, the folder is the same
as one that is built afresh."""

from __future__ import annotations

import tempfile
from datetime import timedelta
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dooryard.core.records import Outcome
from dooryard.history import annotations as marks
from dooryard.history.database import AnnotationDatabase
from dooryard.journal.build import build
from dooryard.journal.files import LOCK, MANIFEST
from unit.journal.alder_row import BIRD, FINCH, NOON, POLICY, SQUIRREL, WICKED, AlderRow, QuickDisk

LATER = NOON + timedelta(days=30)


visits = st.tuples(
    st.integers(0, 20).map(lambda days: NOON + timedelta(days=days)),
    st.sampled_from([FINCH, BIRD, SQUIRREL, WICKED]),
    st.sampled_from(list(Outcome)),
)
happenings = st.lists(
    st.one_of(
        st.tuples(st.just("visit"), visits),
        st.tuples(st.just("mark"), st.tuples(st.integers(0, 50), st.sampled_from(
            ["nobody", "keep", "hide", "undo", "wren", "squirrel"]))),
        st.tuples(st.just("picture gone"), st.integers(0, 50)),
        st.tuples(st.just("off"), st.integers(0, 20)),
        st.tuples(st.just("build"), st.none()),
    ),
    min_size=3, max_size=14,
)  # fmt: skip


def marked(row):
    database = AnnotationDatabase(row.state)
    found = database.said().keys()
    database.close()
    return found


def happen(row, ids, what, value):
    if what == "visit":
        ids += row.add(value)
    elif what == "mark" and ids:
        visit = ids[value[0] % len(ids)]
        if value[1] != "undo" or visit in marked(row):  # else there is nothing to take back
            marks.make(row.state, visit, value[1], NOON, group_of={"squirrel": "squirrel"})
    elif what == "picture gone":
        pictures = sorted((row.state / "pictures").rglob("*.jpg"))
        if pictures:
            pictures[value % len(pictures)].unlink()
            row.store().close()  # the next start finds it gone
    elif what == "off":
        database = AnnotationDatabase(row.state)
        database.off(NOON + timedelta(days=value), NOON + timedelta(days=value, hours=3), "heat")
        database.close()
    elif what == "build":
        build(row.state, row.site, POLICY, LATER, disk=QuickDisk())


def content(site):
    return {
        str(path.relative_to(site)): path.read_bytes()
        for path in site.rglob("*")
        if path.is_file() and path.name not in (LOCK, MANIFEST)
    }


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(happenings)
def test_built_in_steps_or_at_once_it_is_the_same(sequence):
    with tempfile.TemporaryDirectory() as scratch:
        row, ids = AlderRow(Path(scratch), QuickDisk()), []
        row.add()
        for what, value in sequence:
            happen(row, ids, what, value)
        build(row.state, row.site, POLICY, LATER, disk=QuickDisk())
        fresh = Path(scratch) / "fresh"
        build(row.state, fresh, POLICY, LATER, disk=QuickDisk())
        assert content(row.site) == content(fresh)
