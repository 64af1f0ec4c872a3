"""What a new run takes up of what the last one left."""

from dataclasses import replace

import numpy as np
import pytest

from dooryard import place
from dooryard.classify import crop
from dooryard.classify.card import parse
from dooryard.classify.onnx import BUILT_IN
from dooryard.place import EmptyLook
from dooryard.records import Box
from dooryard.restore import known_place

CARD = replace(parse(BUILT_IN.read_text(), "lite0.toml"), feature_count=4)


class Kept:
    """A store that holds what one run left."""

    def __init__(self, states):
        self._states = states

    def load_state(self, name):
        return self._states.get(name)


@pytest.fixture
def kept():
    fresh = place.place_for(CARD.features_key, CARD.feature_count)
    looks = np.random.default_rng(1).random((5, 4)).astype(np.float32)
    learned = place.learned(fresh, [EmptyLook(Box(0.1, 0.1, 0.3, 0.3), look) for look in looks])
    return Kept(place.saved(learned))


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
    assert "the classifier learns this place anew" in caplog.text
    assert "an older version of this program or another model made it" in caplog.text
