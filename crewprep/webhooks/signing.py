"""Signatures by the specification "Standard Webhooks" 1.0 (standardwebhooks.com), with a symmetric secret.

Signed is ``id.timestamp.body`` by HMAC-SHA256 under the secret's bytes; the header holds ``v1,`` and the Base64 of it.
A secret is written ``whsec_`` and the Base64 of 24 to 64 bytes.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets

from django.conf import settings

PREFIX = "whsec_"


def new_seed() -> str:
    """What a secret is made from."""
    return secrets.token_hex(32)


def secret_of(seed: str) -> str:
    """The secret that a lead gives to the receiver. Made anew whenever it is needed, and kept nowhere."""
    key = hmac.new(settings.SECRET_KEY.encode(), b"crewprep.webhooks:" + seed.encode(), hashlib.sha256).digest()
    return PREFIX + base64.b64encode(key).decode()


def headers(*, secret: str, message_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    """The three headers of a signed message. ``timestamp`` is in seconds since 1970, that of the attempt."""
    signed = f"{message_id}.{timestamp}.".encode() + body
    digest = hmac.new(base64.b64decode(secret.removeprefix(PREFIX)), signed, hashlib.sha256).digest()
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": f"v1,{base64.b64encode(digest).decode()}",
    }
