"""Webhooks over HTTP: managers add, change and end them, see what was sent, and send it again."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework.decorators import action
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from fleet.actor import Actor
from fleet.api.base import WorkshopViewSet
from fleet.api.filters import one_of
from fleet.api.resources import ChangeableViewSet, ResourceMixin
from fleet.permissions import Permission, require

from ..models import Webhook, WebhookDelivery
from ..selectors.webhooks import deliveries_of, visible_webhooks, webhook_for
from ..services.webhook_deliveries import delivery_replay
from ..services.webhooks import shown_again, webhook_add, webhook_end, webhook_rotate_secret, webhook_update
from .views import UUID_FORM
from .webhook_serializers import (
    DeliverySerializer,
    NewWebhookSerializer,
    ReplayInput,
    RotationInput,
    WebhookChange,
    WebhookInput,
    WebhookSerializer,
)


class WebhookViewSet(ChangeableViewSet):
    """`/webhooks/`"""

    queryset = Webhook.objects.all()
    create_serializer_class = WebhookInput
    update_serializer_class = WebhookChange
    lookup_value_regex = UUID_FORM
    ordering = "created_at"
    read_permission = Permission.SET_UP
    summaries = {
        "list": _("The webhooks: other programs that are told of events."),
        "retrieve": _("One webhook."),
        "create": _("Add a webhook. Its secret, by which messages are signed, is shown this once."),
        "partial_update": _("Change where it leads and of what it tells; stop it, or begin again."),
        "destroy": _("End a webhook for good. What waits is sent no more."),
        "rotation": _("Another secret, shown this once. The one before signs beside it for some hours."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "a fleet desk",
                {"url": "https://desk.tarn-lodge.example/levelbook", "events": ["certificate.issued", "alert.opened"]},
                request_only=True,
            )
        ]
    }

    def get_serializer_class(self) -> type[BaseSerializer[Any]]:
        return NewWebhookSerializer if self.action in ("create", "rotation") else WebhookSerializer

    def selector(self, actor: Actor) -> QuerySet[Webhook]:
        return visible_webhooks(actor)

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        require(self.actor, Permission.SET_UP)
        data = self.validated(WebhookInput)
        made, code = self.once(
            Webhook._meta.label_lower,
            data,
            lambda record_id: webhook_add(actor=self.actor, record_id=record_id, **data),
            shown_again,
        )
        return _shown_once(made, code)

    def change(self, actor: Actor, record_id: UUID, expected: Collection[int], changes: Mapping[str, Any]) -> object:
        return webhook_update(actor=actor, webhook_id=record_id, expected_versions=expected, changes=changes)

    @extend_schema(responses={204: None})
    def destroy(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        webhook_end(actor=self.actor, webhook_id=UUID(kwargs["pk"]))
        return Response(status=HTTPStatus.NO_CONTENT)

    @extend_schema(request=RotationInput, responses={200: NewWebhookSerializer, 201: NewWebhookSerializer})
    @action(detail=True, methods=["post"])
    def rotation(self, request: Request, pk: str) -> Response:
        require(self.actor, Permission.SET_UP)
        webhook = webhook_for(self.actor, UUID(pk))
        data = self.validated(RotationInput)
        made, code = self.once(
            "reports.webhook_rotation",
            data,
            lambda record_id: webhook_rotate_secret(
                actor=self.actor, record_id=record_id, webhook_id=webhook.pk, overlap_hours=data["overlap_hours"]
            ),
            shown_again,
            webhook=webhook.pk,
        )
        return _shown_once(made, code)


class DeliveryFilter(filters.FilterSet):
    state = one_of("state", WebhookDelivery.State.values, _("state"))
    event = one_of("event", Webhook.Event.values, _("event"))

    class Meta:
        model = WebhookDelivery
        fields = ("state", "event")


class DeliveryViewSet(ResourceMixin, ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """`/webhooks/{id}/deliveries/`"""

    queryset = WebhookDelivery.objects.all()
    serializer_class = DeliverySerializer
    filterset_class = DeliveryFilter
    lookup_value_regex = UUID_FORM
    ordering = "-created_at"
    read_permission = Permission.SET_UP
    summaries = {
        "list": _("What was sent to a webhook, newest first, with every attempt."),
        "retrieve": _("One message with its attempts."),
        "replay": _("Send a message once more, with all its attempts and under the same `webhook-id`."),
    }

    def get_queryset(self) -> QuerySet[WebhookDelivery]:
        if getattr(self, "swagger_fake_view", False):
            return self.queryset.none()
        return deliveries_of(webhook_for(self.actor, UUID(self.kwargs["webhook"])))

    @extend_schema(request=ReplayInput, responses={200: DeliverySerializer, 201: DeliverySerializer})
    @action(detail=True, methods=["post"])
    def replay(self, request: Request, webhook: str, pk: str) -> Response:
        require(self.actor, Permission.SET_UP)
        known = self.get_object()
        data = self.validated(ReplayInput)
        _made, code = self.once(
            "reports.webhook_replay",
            data,
            lambda record_id: delivery_replay(
                actor=self.actor, record_id=record_id, webhook_id=UUID(webhook), delivery_id=known.pk
            ),
            lambda _record_id: known,
            delivery=known.pk,
        )
        return Response(DeliverySerializer(self.get_queryset().get(pk=known.pk)).data, status=code)


def _shown_once(made: tuple[Webhook, str], code: int) -> Response:
    webhook, secret = made
    webhook.secret = secret  # type: ignore[attr-defined]
    response = Response(NewWebhookSerializer(webhook).data, status=code)
    response["Cache-Control"] = "no-store"
    return response
