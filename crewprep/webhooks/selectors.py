"""Reading webhooks and deliveries: for leads; others are refused once the thing was found to be their crew's."""

from __future__ import annotations

from uuid import UUID

from django.db.models import Count, Max, Q, QuerySet

from crewprep.common.errors import NotFound
from crewprep.crews.models import Membership
from crewprep.webhooks.models import Delivery, DeliveryState, Webhook
from crewprep.webhooks.rules import may_run_webhooks


def webhooks_of(member: Membership) -> QuerySet[Webhook]:
    """The crew's webhooks with how many deliveries wait and were given up, and when the last one arrived (leads)."""
    may_run_webhooks(member).require()
    return (
        Webhook.objects.filter(crew=member.crew)
        .select_related("added_by")
        .annotate(
            waiting=Count("deliveries", filter=Q(deliveries__state__in=[DeliveryState.WAITING, DeliveryState.SENDING])),
            given_up=Count("deliveries", filter=Q(deliveries__state=DeliveryState.GIVEN_UP)),
            arrived_at=Max("deliveries__finished_at", filter=Q(deliveries__state=DeliveryState.DELIVERED)),
        )
        .order_by("created_at")
    )


def webhook_for(member: Membership, webhook_id: UUID) -> Webhook:
    """The only way for a request to reach a webhook; raises ``NotFound`` for another crew's as for none."""
    webhook = Webhook.objects.filter(crew=member.crew, pk=webhook_id).select_related("added_by", "crew").first()
    if webhook is None:
        raise NotFound
    may_run_webhooks(member).require()
    return webhook


def deliveries_of(webhook: Webhook) -> QuerySet[Delivery]:
    """What was and will be sent, newest first."""
    return webhook.deliveries.order_by("-created_at")


def delivery_for(member: Membership, webhook_id: UUID, delivery_id: UUID) -> Delivery:
    """The only way for a request to reach a delivery."""
    deliveries = Delivery.objects.filter(crew=member.crew, webhook=webhook_id, pk=delivery_id)
    delivery = deliveries.select_related("webhook").first()
    if delivery is None:
        raise NotFound
    may_run_webhooks(member).require()
    return delivery
