"""Webhooks and their messages. Their addresses may hold secrets, so only managers see them."""

from __future__ import annotations

import uuid

from django.db.models import Count, Q, QuerySet

from fleet.actor import Actor
from fleet.errors import NotFound
from fleet.permissions import Permission, require

from ..models import Webhook, WebhookDelivery


def visible_webhooks(actor: Actor) -> QuerySet[Webhook]:
    """With the number of messages that were given up."""
    require(actor, Permission.SET_UP)
    return Webhook.objects.annotate(
        given_up=Count("deliveries", filter=Q(deliveries__state=WebhookDelivery.State.FAILED))
    )


def webhook_for(actor: Actor, webhook_id: uuid.UUID) -> Webhook:
    webhook = visible_webhooks(actor).filter(pk=webhook_id).first()
    if webhook is None:
        raise NotFound
    return webhook


def deliveries_of(webhook: Webhook) -> QuerySet[WebhookDelivery]:
    return WebhookDelivery.objects.filter(webhook=webhook).prefetch_related("attempts_made")


def given_up() -> QuerySet[WebhookDelivery]:
    """The messages that did not come through in any attempt, of webhooks that are to have them."""
    return WebhookDelivery.objects.filter(state=WebhookDelivery.State.FAILED, webhook__state=Webhook.State.ACTIVE)
