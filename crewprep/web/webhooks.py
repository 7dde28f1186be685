"""Webhooks of a crew, for its leads: addresses, the secret once, what was delivered, and sending again."""

from __future__ import annotations

from uuid import UUID

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import path
from django.views.decorators.http import require_POST

from crewprep.common.errors import DomainError, Invalid, NotFound
from crewprep.crews.models import Membership
from crewprep.web.doors import crew_page
from crewprep.webhooks.delivering import MOST_ATTEMPTS
from crewprep.webhooks.models import DeliveryState, Webhook
from crewprep.webhooks.selectors import deliveries_of, delivery_for, webhook_for, webhooks_of
from crewprep.webhooks.services import add_webhook, remove_webhook, renew_secret, send_again, switch_webhook

DELIVERIES_A_PAGE = 30
TONES = {
    DeliveryState.WAITING: "wait", DeliveryState.SENDING: "wait", DeliveryState.DELIVERED: "good",
    DeliveryState.GIVEN_UP: "bad",
}  # fmt: skip


@crew_page
def webhooks_page(request: HttpRequest, member: Membership) -> HttpResponseBase:
    """The crew's webhooks; a POST adds one and shows its secret."""
    webhooks = webhooks_of(member)
    url, error = "", ""
    if request.method == "POST":
        url = request.POST.get("url", "")
        try:
            webhook, secret = add_webhook(member=member, url=url)
        except DomainError as refused:
            error = refused.sentence
        else:
            return _show(request, member, webhook, secret=secret)
    context = {"member": member, "current": "crew", "webhooks": webhooks, "url": url, "error": error}
    return render(request, "webhooks/webhooks.html", context, status=422 if error else 200)


@crew_page
def webhook_page(request: HttpRequest, member: Membership, webhook_id: UUID) -> HttpResponseBase:
    """One webhook and its deliveries; a POST does what one of the buttons says."""
    webhook = webhook_for(member, webhook_id)
    if request.method != "POST":
        return _show(request, member, webhook)
    try:
        match request.POST.get("do"):
            case "renew":
                return _show(request, member, webhook, secret=renew_secret(member=member, webhook=webhook))
            case "remove":
                remove_webhook(member=member, webhook=webhook)
                messages.success(request, "The webhook is removed.")
                return redirect("webhooks", member.crew.slug)
            case "on" | "off" as way:
                switch_webhook(member=member, webhook=webhook, active=way == "on")
                messages.success(request, f"The webhook is switched {way}.")
            case _:
                raise Invalid("malformed", detail="choose what to do with the webhook.")
    except DomainError as error:
        messages.error(request, error.sentence)
    return redirect("webhook", member.crew.slug, webhook.pk)


@crew_page
@require_POST
def delivery_page(request: HttpRequest, member: Membership, webhook_id: UUID, delivery_id: UUID) -> HttpResponseBase:
    """Send a delivery again."""
    delivery = delivery_for(member, webhook_id, delivery_id)
    try:
        send_again(member=member, delivery=delivery)
    except NotFound:
        raise
    except DomainError as error:
        messages.error(request, error.sentence)
    else:
        messages.success(request, "It is sent again within seconds.")
    return redirect("webhook", member.crew.slug, webhook_id)


def _show(request: HttpRequest, member: Membership, webhook: Webhook, *, secret: str = "") -> HttpResponseBase:
    context = {
        "member": member,
        "current": "crew",
        "webhook": webhook,
        "secret": secret,
        "deliveries": Paginator(deliveries_of(webhook), DELIVERIES_A_PAGE).get_page(request.GET.get("page")),
        "tones": TONES,
        "most_attempts": MOST_ATTEMPTS,
    }
    return render(request, "webhooks/webhook.html", context)


urlpatterns = [
    path("", webhooks_page, name="webhooks"),
    path("<uuid:webhook_id>/", webhook_page, name="webhook"),
    path("<uuid:webhook_id>/deliveries/<uuid:delivery_id>/", delivery_page, name="delivery"),
]
