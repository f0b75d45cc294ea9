"""Webhooks over HTTP: what is sent and answered."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from fleet.api.choices import Choice, ListOf
from fleet.api.fields import AwareDateTime, StrictBoolean, StrictInteger, TrimmedText
from fleet.api.inputs import RecordSerializer, RequestBody, VersionNumber

from ..models import Webhook, WebhookAttempt, WebhookDelivery
from ..outbound.target import URL_LENGTH_MAX
from ..services.webhooks import OVERLAP_HOURS, OVERLAP_HOURS_MAX

EVENTS = Webhook.Event.values


class WebhookFields(RequestBody):
    """Where messages go, and of which events."""

    url = TrimmedText(
        max_length=URL_LENGTH_MAX,
        help_text=_("Address of the receiver, https; internal ones are refused unless the deployment allows them."),
    )
    events = ListOf(
        child=Choice(EVENTS),
        allow_empty=False,
        max_length=len(EVENTS),
        help_text=_("Of what it is told. A message holds ids and numbers, and no person's name or address."),
    )


class WebhookInput(RecordSerializer, WebhookFields):
    """A new webhook."""


class WebhookChange(WebhookFields):
    """What may be changed."""

    active = StrictBoolean(required=False, help_text=_("`false` stops all messages, `true` begins again."))


class RotationInput(RecordSerializer):
    """For how long the secret before goes on signing beside the new one."""

    overlap_hours = StrictInteger(
        min_value=0,
        max_value=OVERLAP_HOURS_MAX,
        default=OVERLAP_HOURS,
        help_text=_("Hours in which messages carry both signatures; 0 ends the old secret at once."),
    )


class ReplayInput(RecordSerializer):
    """A replay; the id alone, so that asked again it is the same one."""


class WebhookSerializer(serializers.Serializer[Webhook]):
    """A webhook, without its secret."""

    id = serializers.UUIDField()
    url = serializers.CharField()
    events = serializers.ListField(child=serializers.ChoiceField(EVENTS))
    state = serializers.ChoiceField(
        Webhook.State.choices, help_text=_("`disabled` by a manager, or because the receiver answered 410.")
    )
    is_gone = serializers.BooleanField(help_text=_("Whether the receiver has answered 410: it wants nothing more."))
    created_at = AwareDateTime()
    failing_since = AwareDateTime(allow_null=True, help_text=_("Since when no message has come through."))
    version = VersionNumber()


class NewWebhookSerializer(WebhookSerializer):
    """A webhook with its secret, which is shown this once."""

    secret = serializers.CharField(help_text=_("As the Standard Webhooks scheme writes it: whsec_ and base64."))


class AttemptSerializer(serializers.Serializer[WebhookAttempt]):
    """One request."""

    made_at = AwareDateTime()
    outcome = serializers.ChoiceField(
        WebhookAttempt.Outcome.choices, help_text=_("`refused`: its address was internal, so nothing was sent.")
    )
    status = serializers.IntegerField(allow_null=True, help_text=_("HTTP status of the answer."))
    error = serializers.CharField(help_text=_("Why there was none."))


class DeliverySerializer(serializers.Serializer[WebhookDelivery]):
    """One message and its attempts."""

    id = serializers.UUIDField()
    message_id = serializers.CharField(help_text=_("Sent as `webhook-id`; the same in every attempt and replay."))
    event = serializers.ChoiceField(EVENTS)
    state = serializers.ChoiceField(
        WebhookDelivery.State.choices,
        help_text=_("`failed`: given up after the last attempt; `stopped`: the webhook was disabled or ended."),
    )
    created_at = AwareDateTime()
    next_attempt_at = AwareDateTime(allow_null=True)
    finished_at = AwareDateTime(allow_null=True)
    body = serializers.CharField(help_text=_("As it is sent, byte by byte."))
    attempts = serializers.SerializerMethodField()

    @extend_schema_field(AttemptSerializer(many=True))
    def get_attempts(self, delivery: WebhookDelivery) -> Any:
        return [AttemptSerializer(each).data for each in delivery.attempts_made.all()]
