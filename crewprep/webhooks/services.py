"""Adding, switching, renewing and removing webhooks; asking for a delivery once more; queueing what happened."""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

from django.db import IntegrityError, transaction
from django.utils import timezone

from crewprep.activity.models import Activity
from crewprep.activity.services import record
from crewprep.common.errors import Conflict, Invalid
from crewprep.crews.models import Crew, Membership
from crewprep.review.models import Proposal
from crewprep.webhooks.models import Delivery, DeliveryState, Event, Webhook
from crewprep.webhooks.outside import NotOutside, target_of
from crewprep.webhooks.rules import may_run_webhooks
from crewprep.webhooks.signing import new_seed, secret_of

MOST = 10
EVENTS: dict[str, Event] = {"approved": Event.APPROVED, "returned": Event.RETURNED}
"""What each verb of the record is called outside."""


def add_webhook(*, member: Membership, url: str) -> tuple[Webhook, str]:
    """Have an address told of the crew's verdicts; with the secret, which is shown this once.

    Raises ``Refused``, ``Invalid`` for an address that may not be asked, ``Conflict`` for one that is there already.
    """
    may_run_webhooks(member).require()
    url = url.strip()
    try:
        target_of(url)
    except NotOutside as error:
        raise Invalid("webhook:address", detail=str(error)) from error
    try:
        with transaction.atomic():
            Crew.objects.select_for_update(no_key=True).get(pk=member.crew_id)
            if Webhook.objects.filter(crew=member.crew).count() >= MOST:
                raise Conflict("webhook:too-many", limit=MOST)
            webhook = Webhook.objects.create(crew=member.crew, url=url, secret_seed=new_seed(), added_by=member.user)
            record(actor=member.user, verb="webhook added", subject=webhook)
    except IntegrityError as error:
        raise Conflict("webhook:there-already") from error
    return webhook, secret_of(webhook.secret_seed)


def renew_secret(*, member: Membership, webhook: Webhook) -> str:
    """Give the webhook another secret, which counts from the next attempt on, and return it."""
    may_run_webhooks(member).require()
    seed = new_seed()
    with transaction.atomic():
        Webhook.objects.filter(pk=webhook.pk).update(secret_seed=seed)
        record(actor=member.user, verb="webhook secret renewed", subject=webhook)
    return secret_of(seed)


def switch_webhook(*, member: Membership, webhook: Webhook, active: bool) -> bool:
    """Switch a webhook on or off; False where it was so. What happens while it is off is not told later."""
    may_run_webhooks(member).require()
    with transaction.atomic():
        if not Webhook.objects.filter(pk=webhook.pk, active=not active).update(active=active):
            return False
        if not active:
            stop_waiting(webhook.pk)
        record(actor=member.user, verb=f"webhook switched {'on' if active else 'off'}", subject=webhook)
    return True


def stop_waiting(webhook_id: UUID) -> None:
    """Give up what waits for a webhook that is switched off."""
    Delivery.objects.filter(webhook=webhook_id, state=DeliveryState.WAITING).update(
        state=DeliveryState.GIVEN_UP, finished_at=timezone.now(), answer="The webhook was switched off."
    )


def remove_webhook(*, member: Membership, webhook: Webhook) -> None:
    """Remove a webhook with its deliveries. Raises ``Conflict`` where it is gone already."""
    may_run_webhooks(member).require()
    with transaction.atomic():
        record(actor=member.user, verb="webhook removed", subject=webhook)
        if not Webhook.objects.filter(pk=webhook.pk).delete()[0]:
            raise Conflict("webhook:gone")


def send_again(*, member: Membership, delivery: Delivery) -> Delivery:
    """Have a settled delivery sent once more, with all its attempts and the same id.

    Raises ``Conflict`` where it waits or is being sent, or where the webhook is off.
    """
    may_run_webhooks(member).require()
    with transaction.atomic():
        if not Webhook.objects.filter(pk=delivery.webhook_id, active=True).exists():
            raise Conflict("webhook:off")
        settled = Delivery.objects.filter(pk=delivery.pk, state__in=[DeliveryState.DELIVERED, DeliveryState.GIVEN_UP])
        if not settled.update(
            state=DeliveryState.WAITING, attempt=0, due_at=timezone.now(), finished_at=None, answer=""
        ):
            raise Conflict("webhook:under-way")
        record(actor=member.user, verb="webhook sent again", subject=delivery)
    delivery.refresh_from_db()
    return delivery


def queue(row: Activity, proposal: Proposal) -> int:
    """Queue a verdict of the record for every webhook of the crew that is on; how many. Inside the caller's
    transaction, which marks the row as done.
    """
    event = EVENTS.get(row.verb)
    webhooks = list(Webhook.objects.filter(crew=row.crew_id, active=True, created_at__lte=row.created_at))
    if event is None or not webhooks:
        return 0
    body = json.dumps(payload(event, row, proposal), ensure_ascii=False, separators=(",", ":"))
    Delivery.objects.bulk_create(
        [
            Delivery(crew_id=row.crew_id, webhook=webhook, event=event, activity_id=row.pk, body=body)
            for webhook in webhooks
        ],
        ignore_conflicts=True,
    )
    return len(webhooks)


def payload(event: Event, row: Activity, proposal: Proposal) -> dict[str, Any]:
    """What is told: ``type``, ``timestamp`` and ``data`` as the specification has it, and the id of the event."""
    return {
        "id": str(row.pk),
        "type": str(event),
        "timestamp": row.created_at.isoformat(),
        "data": {
            "crew": {"slug": proposal.crew.slug, "name": proposal.crew.name},
            "track": {"id": str(proposal.track_id), "title": proposal.track.title, "artist": proposal.track.artist},
            "proposal": str(proposal.pk),
            "sheet": row.details.get("sheet"),
        },
    }
