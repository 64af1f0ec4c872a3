from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dooryard.core.ids import id_for, uuid7


def test_the_example_of_the_rfc() -> None:
    # RFC 9562, appendix A.6 (values from memory, checked against the text form quoted in several
    # libraries' documentation): 2022-02-22 14:22:22 -05:00, rand_a 0xCC3, rand_b 0x18C4DC0C0C07398F.
    entropy = bytes.fromhex("0cc318c4dc0c0c07398f")
    moment = datetime.fromisoformat("2022-02-22T14:22:22-05:00")
    unix_ms = int(moment.timestamp() * 1000)
    assert unix_ms == 0x017F22E279B0
    assert uuid7(unix_ms, entropy) == "017f22e2-79b0-7cc3-98c4-dc0c0c07398f"


@settings(deadline=None)
@given(st.integers(0, 2**48 - 1), st.binary(min_size=10, max_size=10))
def test_version_variant_and_time_are_where_the_rfc_puts_them(unix_ms: int, entropy: bytes) -> None:
    # Read back by Python's own uuid module.
    made = uuid.UUID(uuid7(unix_ms, entropy))
    assert made.version == 7
    assert made.variant == uuid.RFC_4122
    assert made.int >> 80 == unix_ms


@pytest.mark.parametrize(("unix_ms", "entropy"), [(-1, bytes(10)), (2**48, bytes(10)), (0, bytes(9))])
def test_what_does_not_fit_is_an_error(unix_ms: int, entropy: bytes) -> None:
    with pytest.raises(ValueError, match=r"bits|bytes"):
        uuid7(unix_ms, entropy)


@settings(deadline=None)
@given(
    st.datetimes(datetime(1970, 1, 1), datetime(9999, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001
    st.integers(1, 10**9),
)
def test_ids_sort_by_time(wall: datetime, ms: int) -> None:
    later = id_for(b"salt", 1, min(wall + timedelta(milliseconds=ms), datetime(9999, 12, 31, tzinfo=UTC)))
    assert id_for(b"salt", 2, wall) < later


def test_ids_repeat_for_the_same_and_differ_for_other_values() -> None:
    wall = datetime(2026, 6, 14, tzinfo=UTC)
    assert id_for(b"a", 1, wall) == id_for(b"a", 1, wall)
    made = {id_for(salt, counter, wall) for salt in (b"", b"a", b"ab") for counter in range(1000)}
    assert len(made) == 3000


def test_a_clock_that_was_never_set_still_gives_an_id() -> None:
    assert uuid.UUID(id_for(b"a", 1, datetime(1969, 1, 1, tzinfo=UTC))).int >> 80 == 0
