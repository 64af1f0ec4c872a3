"""Policies and box files told apart."""

from __future__ import annotations

import pytest

from dooryard.box.file import BoxFile
from dooryard.config.file_kind import BOX_TABLES, POLICY_TABLES, SHARED, looks_like, sort_of
from dooryard.policy.schema import Policy


def test_the_tables_are_those_of_the_schemas():
    assert frozenset(Policy.model_fields) == POLICY_TABLES
    assert frozenset(BoxFile.model_fields) == BOX_TABLES
    assert POLICY_TABLES & BOX_TABLES == SHARED


POLICY_SINK, BOX_SINK, EITHER_SINK = {"name": "phone", "quiet": []}, {"name": "phone", "kind": "webhook"}, {
    "name": "phone", "at_most_per_hour": 5,
}  # fmt: skip


@pytest.mark.parametrize(
    ("data", "sort", "for_policy", "for_box"),
    [
        ({"sink": [POLICY_SINK]}, "policy", None, "policy"),
        ({"sink": [BOX_SINK]}, "box", "box file", None),
        ({"sink": [EITHER_SINK]}, "policy", None, None),
        ({"sink": [EITHER_SINK], "rule": []}, "policy", None, "policy"),
        ({"sink": [EITHER_SINK], "camera": {}}, "box", "box file", None),
        ({"sink": [POLICY_SINK], "camera": {}}, "policy", None, None),
        ({"sink": [BOX_SINK], "rule": []}, "policy", None, None),
        ({"sink": "phone"}, "box", "box file", None),
    ],
)
def test_a_sink_is_told_by_its_keys(data, sort, for_policy, for_box):
    assert sort_of(data) == sort
    assert looks_like(data, Policy.model_fields) == for_policy
    assert looks_like(data, BoxFile.model_fields) == for_box


@pytest.mark.parametrize(
    ("keys", "sort", "for_policy", "for_box"),
    [
        ([], "policy", None, None),
        (["foo"], "policy", None, None),
        (["rule", "place"], "policy", None, "policy"),
        (["camera", "sink"], "box", "box file", None),
        (["camera", "rule"], "policy", None, None),
        (["camera", "sink", "rule"], "box", None, None),
    ],
)
def test_what_a_file_looks_like(keys, sort, for_policy, for_box):
    assert sort_of(keys) == sort
    assert looks_like(keys, Policy.model_fields) == for_policy
    assert looks_like(keys, BoxFile.model_fields) == for_box
