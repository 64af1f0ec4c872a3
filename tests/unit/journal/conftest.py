from __future__ import annotations

import pytest

from unit.journal.alder_row import AlderRow


@pytest.fixture
def row(tmp_path):
    return AlderRow(tmp_path)
