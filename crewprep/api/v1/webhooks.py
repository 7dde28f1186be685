"""Webhooks of a crew, for its leads."""

from __future__ import annotations

from uuid import UUID

from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from crewprep.api.base import CrewEndpoint, Pages, listed
from crewprep.webhooks.models import Delivery, DeliveryState, Event, Webhook
from crewprep.webhooks.selectors import deliveries_of, delivery_for, webhook_for, webhooks_of
from crewprep.webhooks.services import add_webhook, remove_webhook, renew_secret, send_again, switch_webhook


class WebhookOut(serializers.Serializer[Webhook]):
    """An address that is told of verdicts; without its secret."""

    id = serializers.UUIDField()
    url = serializers.CharField()
    active = serializers.BooleanField()
    added_at = serializers.DateTimeField(source="created_at")


class SecretOut(WebhookOut):
    """The same with its secret, which is shown this once."""

    secret = serializers.CharField()


class WebhookIn(serializers.Serializer[object]):
    """Where to send."""

    url = serializers.CharField(max_length=300, help_text="https:// and a public host.")


class SwitchIn(serializers.Serializer[object]):
    """On or off."""

    active = serializers.BooleanField()


class DeliveryOut(serializers.Serializer[Delivery]):
    """One event for one webhook, and what came of the last attempt."""

    id = serializers.UUIDField()
    message_id = serializers.CharField(help_text="The header webhook-id, at each attempt the same.")
    event = serializers.ChoiceField(choices=Event.choices)
    state = serializers.ChoiceField(choices=DeliveryState.choices)
    attempt = serializers.IntegerField()
    due_at = serializers.DateTimeField()
    answer = serializers.CharField()
    finished_at = serializers.DateTimeField(allow_null=True)
    body = serializers.CharField(help_text="The very text that is sent.")


class Webhooks(CrewEndpoint):
    """The crew's webhooks."""

    @extend_schema(operation_id="list_webhooks", responses=WebhookOut(many=True), tags=["webhooks"])
    def get(self, request: Request, crew: str) -> Response:
        """Oldest first (leads)."""
        return Response(listed(WebhookOut, webhooks_of(self.member)))

    @extend_schema(operation_id="add_webhook", request=WebhookIn, responses={201: SecretOut}, tags=["webhooks"])
    def post(self, request: Request, crew: str) -> Response:
        """Add one (leads)."""
        webhook, secret = add_webhook(member=self.member, **self.read(WebhookIn, request))
        return Response({**WebhookOut(webhook).data, "secret": secret}, status=201)


class OneWebhook(CrewEndpoint):
    """A webhook."""

    @extend_schema(operation_id="get_webhook", responses=WebhookOut, tags=["webhooks"])
    def get(self, request: Request, crew: str, webhook: UUID) -> Response:
        """As it stands (leads)."""
        return Response(WebhookOut(webhook_for(self.member, webhook)).data)

    @extend_schema(operation_id="switch_webhook", request=SwitchIn, responses=WebhookOut, tags=["webhooks"])
    def put(self, request: Request, crew: str, webhook: UUID) -> Response:
        """Switch it on or off (leads)."""
        found = webhook_for(self.member, webhook)
        switch_webhook(member=self.member, webhook=found, **self.read(SwitchIn, request))
        return Response(WebhookOut(webhook_for(self.member, webhook)).data)

    @extend_schema(operation_id="remove_webhook", responses={204: None}, tags=["webhooks"])
    def delete(self, request: Request, crew: str, webhook: UUID) -> Response:
        """Remove it with its deliveries (leads)."""
        remove_webhook(member=self.member, webhook=webhook_for(self.member, webhook))
        return Response(status=204)


class Secret(CrewEndpoint):
    """The secret of a webhook."""

    @extend_schema(operation_id="renew_webhook_secret", request=None, responses=SecretOut, tags=["webhooks"])
    def post(self, request: Request, crew: str, webhook: UUID) -> Response:
        """Give it another secret, which counts at once (leads)."""
        found = webhook_for(self.member, webhook)
        secret = renew_secret(member=self.member, webhook=found)
        return Response({**WebhookOut(found).data, "secret": secret})


class Deliveries(CrewEndpoint):
    """What was and will be sent to a webhook."""

    pagination_class = Pages

    @extend_schema(operation_id="list_deliveries", responses=DeliveryOut(many=True), tags=["webhooks"])
    def get(self, request: Request, crew: str, webhook: UUID) -> Response:
        """Newest first (leads)."""
        pages = Pages()
        shown = pages.paginate_queryset(deliveries_of(webhook_for(self.member, webhook)), request, view=self)
        return pages.get_paginated_response(listed(DeliveryOut, shown))


class Again(CrewEndpoint):
    """Once more."""

    @extend_schema(operation_id="send_delivery_again", request=None, responses=DeliveryOut, tags=["webhooks"])
    def post(self, request: Request, crew: str, webhook: UUID, delivery: UUID) -> Response:
        """Send a settled delivery once more, under the same id (leads)."""
        found = delivery_for(self.member, webhook, delivery)
        return Response(DeliveryOut(send_again(member=self.member, delivery=found)).data)
