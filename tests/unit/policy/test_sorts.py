"""Policies and box files told apart."""

from __future__ import annotations

import pytest

from dooryard.box import BoxFile
from dooryard.policy.schema import Policy
from dooryard.policy.sorts import BOX_TABLES, POLICY_TABLES, looks_like, sort_of


def test_the_tables_are_those_of_the_schemas():
    assert frozenset(Policy.model_fields) == POLICY_TABLES
    assert frozenset(BoxFile.model_fields) == BOX_TABLES
    assert not POLICY_TABLES & BOX_TABLES


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
