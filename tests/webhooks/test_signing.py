"""Signatures against the published vector of "Standard Webhooks" (the test of its reference libraries)."""

from __future__ import annotations

import base64

from crewprep.webhooks.signing import headers, new_seed, secret_of


def test_the_published_vector() -> None:
    """Secret, id, time and body as in ``standard-webhooks/standard-webhooks``, libraries' tests of ``sign``."""
    signed = headers(
        secret="whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", message_id="msg_p5jXN8AQM9LWM0D4loKWxJek",
        timestamp=1614265330, body=b'{"test": 2432232314}',
    )  # fmt: skip
    assert signed == {
        "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
        "webhook-timestamp": "1614265330",
        "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    }


def test_a_secret_is_made_from_its_seed_and_the_installations_key(settings) -> None:
    seed = new_seed()
    secret = secret_of(seed)
    assert secret == secret_of(seed)
    assert secret != secret_of(new_seed())
    assert secret.startswith("whsec_")
    assert 24 <= len(base64.b64decode(secret.removeprefix("whsec_"), validate=True)) <= 64
    settings.SECRET_KEY = "another installation"
    assert secret != secret_of(seed)
