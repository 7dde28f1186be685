"""Webhooks and their deliveries."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils import timezone

from crewprep.common.models import CrewRow


class Event(models.TextChoices):
    """What is told."""

    APPROVED = "proposal.approved", "A proposal was approved"
    RETURNED = "proposal.returned", "A proposal was returned"


class DeliveryState(models.TextChoices):
    """Where a delivery stands."""

    WAITING = "waiting", "Waiting"
    SENDING = "sending", "Being sent"
    DELIVERED = "delivered", "Delivered"
    GIVEN_UP = "given up", "Given up"


class Webhook(CrewRow):
    """An address that is told of a crew's verdicts. Its secret is made from ``secret_seed`` and the installation's key,
    so that neither alone signs anything (``signing.secret_of``). ``active`` is False where a lead switched it off, or
    once the receiver said that it is gone.
    """

    url = models.CharField(max_length=300)
    secret_seed = models.CharField(max_length=64)
    active = models.BooleanField(default=True)
    added_by = models.ForeignKey("crewprep.User", null=True, on_delete=models.SET_NULL, related_name="+")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["crew", "url"], name="webhook_once_per_address")]
        ordering = ["created_at"]

    def __str__(self) -> str:
        return self.url


class Delivery(CrewRow):
    """One event for one webhook. ``body`` are the very bytes that are sent and signed, at each attempt the same; so is
    the id of the message (``message_id``), by which a receiver knows that it has it already.
    """

    webhook = models.ForeignKey(Webhook, on_delete=models.CASCADE, related_name="deliveries")
    event = models.CharField(max_length=30, choices=Event.choices)
    activity_id = models.UUIDField()
    body = models.TextField()
    state = models.CharField(max_length=10, choices=DeliveryState.choices, default=DeliveryState.WAITING)
    due_at = models.DateTimeField(default=timezone.now)
    token = models.UUIDField(null=True)
    lease_until = models.DateTimeField(null=True)
    attempt = models.PositiveSmallIntegerField(default=0)
    answer = models.CharField(max_length=200, blank=True, default="")
    """What came of the last attempt, in words."""
    finished_at = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["webhook", "activity_id"], name="delivery_once_per_event"),
            models.CheckConstraint(
                condition=~Q(state="sending") | Q(token__isnull=False, lease_until__isnull=False),
                name="delivery_sending_has_token",
            ),
        ]
        indexes = [
            models.Index(fields=["due_at"], condition=Q(state__in=["waiting", "sending"]), name="delivery_waiting"),
            models.Index(fields=["webhook", "-created_at"], name="delivery_by_webhook"),
        ]
        ordering = ["-created_at"]

    def __str__(self) -> str:
        return f"{self.event} to {self.webhook_id} ({self.state})"

    @property
    def message_id(self) -> str:
        """The id of the message, the same at each attempt and for "send again"."""
        return f"msg_{self.pk.hex}"
