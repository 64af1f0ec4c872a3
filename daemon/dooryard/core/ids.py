"""Time-ordered ids, made without a clock or chance of their own: both are passed in.

Source: RFC 9562, section 5.7 (UUID version 7).
"""

from __future__ import annotations

import hashlib
import uuid
from datetime import UTC, datetime, timedelta

ENTROPY_BYTES = 10
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def uuid7(unix_ms: int, entropy: bytes) -> str:
    """Return a version 7 UUID in its usual text form.

    `unix_ms` fills the 48 bits of time. Of the 10 bytes of `entropy`, the low 12 bits of the first two
    become `rand_a` and the low 62 bits of the other eight become `rand_b`.

    Raises ValueError when `unix_ms` does not fit 48 bits or `entropy` is not 10 bytes long.
    """
    if not 0 <= unix_ms < 1 << 48:
        raise ValueError(f"{unix_ms} ms does not fit the 48 bits of a version 7 UUID")
    if len(entropy) != ENTROPY_BYTES:
        raise ValueError(f"{ENTROPY_BYTES} bytes of entropy are needed, not {len(entropy)}")
    rand_a = int.from_bytes(entropy[:2], "big") & 0x0FFF
    rand_b = int.from_bytes(entropy[2:], "big") & 0x3FFF_FFFF_FFFF_FFFF
    return str(uuid.UUID(int=unix_ms << 80 | 7 << 76 | rand_a << 64 | 0b10 << 62 | rand_b))


def id_for(salt: bytes, counter: int, wall: datetime) -> str:
    """Return the id of the `counter`-th thing that happened, at `wall`, under `salt`.

    The same three values give the same id, so that a replay names things as the first run did. Give each
    start of the program a salt of its own (16 random bytes or more), or go on counting where the last run
    stopped: else two things of one millisecond could share an id.

    Times before 1970, from a clock that was never set, count as 1970.
    """
    unix_ms = max(0, (wall - _EPOCH) // timedelta(milliseconds=1))
    digest = hashlib.sha256(len(salt).to_bytes(8, "big") + salt + counter.to_bytes(8, "big")).digest()
    return uuid7(unix_ms, digest[:ENTROPY_BYTES])
