"""Sending deliveries: one request an attempt, tried again after growing pauses, given up at last.

Claimed with a lease and settled by its token, like every work here; the request is made outside any transaction. A
sender that was killed leaves the delivery to the next one, so a receiver may see a message twice, under one id.
"""

from __future__ import annotations

import datetime as dt
import logging
import random
import uuid
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import Q, QuerySet

from crewprep.activity.services import record
from crewprep.jobs import clock
from crewprep.webhooks.models import Delivery, DeliveryState, Webhook
from crewprep.webhooks.outside import NoAnswer, NotOutside, post
from crewprep.webhooks.services import stop_waiting
from crewprep.webhooks.signing import headers, secret_of

log = logging.getLogger(__name__)

LEASE = dt.timedelta(minutes=2)
MOST_ATTEMPTS = 10
FIRST_PAUSE_S = 5
GROWTH = 4
MOST_PAUSE_S = 6 * 3600
"""5 s, 20 s, 80 s, 5 min, 21 min, 85 min, 5.7 h, then every 6 h: ten attempts within about 20 hours."""
JITTER = 0.2
KEPT_FOR = dt.timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Hold:
    """A sender's hold on a delivery."""

    delivery_id: uuid.UUID
    token: uuid.UUID
    attempt: int


def deliver_due(*, limit: int = 20, now: dt.datetime | None = None) -> int:
    """Send what is due, one after the other; how many arrived."""
    arrived = 0
    for _ in range(limit):
        hold = take(now=now)
        if hold is None:
            break
        arrived += deliver(hold)
    return arrived


def take(*, now: dt.datetime | None = None) -> Hold | None:
    """Claim the next delivery, or one whose sender was lost; None where none is due."""
    now = now or clock.now()
    with transaction.atomic(durable=True):
        lost = Delivery.objects.filter(state=DeliveryState.SENDING, lease_until__lt=now, attempt__gte=MOST_ATTEMPTS)
        lost.update(
            state=DeliveryState.GIVEN_UP, token=None, lease_until=None, finished_at=now,
            answer="The sender stopped each time.",
        )  # fmt: skip
        delivery = _due(now).order_by("due_at").select_for_update(skip_locked=True, of=("self",)).first()
        if delivery is None:
            return None
        hold = Hold(delivery.pk, uuid.uuid4(), delivery.attempt + 1)
        taken = _due(now).filter(pk=delivery.pk).update(
            state=DeliveryState.SENDING, token=hold.token, lease_until=now + LEASE, attempt=hold.attempt
        )  # fmt: skip
    return hold if taken else None


def deliver(hold: Hold) -> bool:
    """Make the request and settle the delivery by what came of it; whether it arrived (an answer of 2xx)."""
    delivery = Delivery.objects.filter(pk=hold.delivery_id).select_related("webhook").first()
    if delivery is None:
        return False
    body = delivery.body.encode()
    sent_at = clock.now()
    signed = headers(
        secret=secret_of(delivery.webhook.secret_seed), message_id=delivery.message_id,
        timestamp=int(sent_at.timestamp()), body=body,
    )  # fmt: skip
    try:
        status, retry_after = post(
            delivery.webhook.url, body, {"Content-Type": "application/json", "User-Agent": "crewprep", **signed}
        )
    except NotOutside as error:
        return _give_up(hold, str(error))
    except NoAnswer as error:
        return _try_again(hold, str(error))
    if 200 <= status < 300:
        return _settle(hold, state=DeliveryState.DELIVERED, finished_at=clock.now(), answer=f"Answered {status}.")
    if status == 410:  # "gone": the specification has the sender stop
        _switch_off(delivery.webhook)
        return _give_up(hold, "Answered 410, gone: the webhook is switched off.")
    told = f"Answered {status}" + (", a redirect, which is not followed." if 300 <= status < 400 else ".")
    return _try_again(hold, told, retry_after if status in {429, 503} else "")


def pause_s(attempt: int) -> float:
    """How long to wait after an attempt, the first being 1: growing, and a little different each time, so that many
    deliveries that failed together do not come back together.
    """
    grown = float(min(FIRST_PAUSE_S * GROWTH ** (attempt - 1), MOST_PAUSE_S))
    return grown * random.uniform(1 - JITTER, 1 + JITTER)


def sweep(*, now: dt.datetime | None = None) -> int:
    """Remove settled deliveries that are old."""
    before = (now or clock.now()) - KEPT_FOR
    settled = Delivery.objects.filter(state__in=[DeliveryState.DELIVERED, DeliveryState.GIVEN_UP])
    return settled.filter(created_at__lt=before).delete()[0]


def _due(now: dt.datetime) -> QuerySet[Delivery]:
    lost = Q(state=DeliveryState.SENDING, lease_until__lt=now)
    return Delivery.objects.filter(Q(state=DeliveryState.WAITING, due_at__lte=now) | lost)


def _switch_off(webhook: Webhook) -> None:
    with transaction.atomic(durable=True):
        if Webhook.objects.filter(pk=webhook.pk, active=True).update(active=False):
            stop_waiting(webhook.pk)
            record(actor=None, verb="webhook switched off", subject=webhook)


def _settle(hold: Hold, **changes: Any) -> bool:
    with transaction.atomic(durable=True):
        held = Delivery.objects.filter(pk=hold.delivery_id, token=hold.token, state=DeliveryState.SENDING)
        settled = held.update(token=None, lease_until=None, **changes)
    if not settled:
        log.warning("Delivery %s was taken by another sender meanwhile.", hold.delivery_id)
    return bool(settled)


def _give_up(hold: Hold, told: str) -> bool:
    log.warning("Delivery %s was given up after %d attempts: %s", hold.delivery_id, hold.attempt, told)
    _settle(hold, state=DeliveryState.GIVEN_UP, finished_at=clock.now(), answer=told[:200])
    return False


def _try_again(hold: Hold, told: str, retry_after: str = "") -> bool:
    if hold.attempt >= MOST_ATTEMPTS:
        return _give_up(hold, told)
    wait = pause_s(hold.attempt)
    if retry_after.isascii() and retry_after.isdecimal() and len(retry_after) < 6:
        wait = max(wait, min(float(retry_after), MOST_PAUSE_S))
    due_at = clock.now() + dt.timedelta(seconds=wait)
    _settle(hold, state=DeliveryState.WAITING, due_at=due_at, answer=told[:200])
    return False
