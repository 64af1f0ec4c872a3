from __future__ import annotations

from datetime import UTC, datetime

import pytest

from dooryard.sensors.clock_state import clock_is_set

NOW = datetime(2026, 6, 14, tzinfo=UTC)


@pytest.fixture
def root(tmp_path):
    (tmp_path / "dev").mkdir()
    return tmp_path


def test_an_old_date_is_never_believed(root):
    (root / "dev/rtc0").touch()
    assert not clock_is_set(datetime(1970, 1, 1, tzinfo=UTC), root)


def test_a_board_that_has_not_heard_a_time_server(root):
    (root / "run/systemd/timesync").mkdir(parents=True)
    assert not clock_is_set(NOW, root)
    (root / "run/systemd/timesync/synchronized").touch()
    assert clock_is_set(NOW, root)


def test_a_battery_backed_clock_is_believed(root):
    (root / "run/systemd/timesync").mkdir(parents=True)
    (root / "dev/rtc0").touch()
    assert clock_is_set(NOW, root)


def test_a_system_that_keeps_time_by_other_means(root):
    assert clock_is_set(NOW, root)
