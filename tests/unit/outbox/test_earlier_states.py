"""A state folder that an earlier version made is taken over whole.

`tests/fixtures/state_of_form_1` was made by the program at version 0.1, whose database is of form 1, with the
visits and alerts of `builders` and two marks.
"""

from __future__ import annotations

import shutil
from contextlib import closing
from pathlib import Path

from dooryard.core.clock import FakeClock
from dooryard.history.database import AnnotationDatabase
from dooryard.outbox.store import Store
from unit.outbox.builders import JPEG, MONO_S, START, at, visit

MADE = Path(__file__).parents[2] / "fixtures" / "state_of_form_1"


def test_a_state_folder_of_the_first_form_is_taken_over(tmp_path):
    folder = tmp_path / "state"
    shutil.copytree(MADE, folder)
    with closing(Store.open(folder, FakeClock(START, MONO_S))) as store:
        assert store.notes == []
        assert store.damages == []
        visits = store.visits_between(START, at(10**6).wall)
        assert [each.id for each in visits] == [visit(number).id for number in range(5)]
        assert {store.read_picture(each.picture) for each in visits} == {JPEG}
        assert store.load_state("gate") == b"abc"
        assert {sink: len(store.pending(sink)) for sink in ("phone", "post")} == {"phone": 5, "post": 5}
    with closing(AnnotationDatabase(folder, mend=True)) as database:
        assert database.damages == []
        assert [mark.visit for mark in database.marks()] == [visit(1).id, visit(2).id]
