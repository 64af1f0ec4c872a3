"""Signatures of the Standard Webhooks specification, version 1.0: pure."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac

from dooryard.core.errors import SinkError

PREFIX = "whsec_"
SHORTEST_KEY_BYTES = 24


def signing_key(secret: str) -> bytes:
    """The key in a secret of the form ``whsec_BASE64`` (the prefix may be missing).

    Raises `SinkError`, without showing the secret, when it is not base64 or shorter than 24 bytes.
    """
    remedy = (
        "make one: python3 -c 'import base64,os; print(\"whsec_\"+base64.b64encode(os.urandom(32)).decode())'"
    )
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except (binascii.Error, ValueError):
        raise SinkError("the webhook's signing secret is not base64", remedy) from None
    if len(key) < SHORTEST_KEY_BYTES:
        raise SinkError(f"the webhook's signing secret has fewer than {SHORTEST_KEY_BYTES} bytes", remedy)
    return key


def signed_headers(key: bytes, message_id: str, unix_s: int, body: bytes) -> dict[str, str]:
    """The three headers that a receiver checks: HMAC-SHA256 over ``id.timestamp.body``, in base64."""
    signed = b".".join((message_id.encode(), str(unix_s).encode(), body))
    signature = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(unix_s),
        "webhook-signature": f"v1,{signature}",
    }
