"""What a new run takes up of what the last one left."""

import shutil
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from dooryard.box.file import BoxFile
from dooryard.classify import crop
from dooryard.classify.card import parse
from dooryard.classify.onnx import BUILT_IN
from dooryard.core.clock import FakeClock
from dooryard.core.records import Box, NegativeSample
from dooryard.gate import GateSettings
from dooryard.outbox.store import Store
from dooryard.pipeline import Conditions
from dooryard.service import restore
from dooryard.service.restore import known_place
from dooryard.site import site_model
from dooryard.tracking.visits import VisitSettings
from fakes.rules import policy
from helpers import moment

CARD = replace(parse(BUILT_IN.read_text(), "lite0.toml"), feature_count=4)


class Kept:
    """A store that holds what one run left."""

    def __init__(self, states):
        self._states = states

    def load_state(self, name):
        return self._states.get(name)


@pytest.fixture
def kept():
    fresh = site_model.place_for(CARD.features_key, CARD.feature_count)
    looks = np.random.default_rng(1).random((5, 4)).astype(np.float32)
    learned = site_model.learned(fresh, [NegativeSample(Box(0.1, 0.1, 0.3, 0.3), look) for look in looks])
    return Kept(site_model.saved(learned))


def test_what_was_learned_of_the_place_is_taken_up(kept):
    assert known_place(kept, CARD).memory.learned == 5


@pytest.mark.parametrize("changed", ["crop", "network"])
def test_features_of_another_crop_or_network_are_not_compared(kept, changed, monkeypatch, caplog):
    card = CARD
    if changed == "crop":
        monkeypatch.setattr(crop, "EDITION", crop.EDITION + 1)
    else:
        card = replace(CARD, model_sha256="0" * 64)
    assert known_place(kept, card).memory.learned == 0
    assert "the classifier relearns this place" in caplog.text
    assert "an older version of this program or another model made it" in caplog.text


MADE = Path(__file__).parents[1] / "fixtures" / "state_of_form_1"


@pytest.mark.parametrize("recording", [None, "a recording"])
def test_who_was_seen_before_there_was_a_record_of_it_is_known_from_the_visits(tmp_path, recording):
    """A recording's own visits are not taken: what is read again is decided as it was before."""
    folder = tmp_path / "state"
    shutil.copytree(MADE, folder)
    rules = Conditions(policy(), GateSettings(), VisitSettings(), frozenset({"phone"}))
    with closing(Store.open(folder, FakeClock())) as store:
        stored = store.visits_between(restore._FIRST, restore._LAST)
        found = restore.state(store, BoxFile(), CARD, rules, moment(0), "b1", recording).policy.seen
    keys = {each.visitor.key for each in stored if each.clock_set}
    assert keys
    assert set(found.days) == (keys if recording is None else set())
    assert all(found.last_day(key, 0.0) == date(2026, 6, 14) for key in found.days)
