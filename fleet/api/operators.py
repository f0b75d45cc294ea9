"""Operators: the customers who run the vehicles."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiExample
from rest_framework import serializers

from fleet import services
from fleet.actor import Actor
from fleet.models import Operator
from fleet.permissions import Permission
from fleet.selectors.operators import visible_operators

from .fields import AwareDateTime, TrimmedText
from .inputs import RecordSerializer, RequestBody, VersionNumber
from .resources import ChangeableViewSet


class OperatorFields(RequestBody):
    """What is kept of an operator."""

    name = TrimmedText(max_length=120, help_text=_("As it stands on certificates."))
    email = serializers.EmailField(
        max_length=254,
        allow_blank=True,
        required=False,
        help_text=_(
            "Where certificates and warnings go; without it nothing is sent, and they are handed over on paper."
        ),
    )
    address = TrimmedText(
        max_length=400, allow_blank=True, lines=True, required=False, help_text=_("As on certificates, in lines.")
    )
    telephone = TrimmedText(max_length=40, allow_blank=True, required=False, help_text=_("Where to call."))


class OperatorInput(RecordSerializer, OperatorFields):
    """A new operator."""


class OperatorSerializer(OperatorFields):
    """An operator."""

    id = serializers.UUIDField()
    created_at = AwareDateTime()
    version = VersionNumber()


class OperatorViewSet(ChangeableViewSet):
    """`/operators/`"""

    queryset = Operator.objects.all()
    serializer_class = OperatorSerializer
    create_serializer_class = OperatorInput
    update_serializer_class = OperatorFields
    ordering = "name"
    summaries = {
        "list": _("The operators: the customers who run the vehicles. A contact sees their own."),
        "retrieve": _("One operator."),
        "create": _("Add an operator."),
        "partial_update": _("Change an operator."),
    }
    examples = {
        "create": [
            OpenApiExample("a lodge", {"name": "Tarn Lodge", "email": "fleet@tarn-lodge.example"}, request_only=True)
        ]
    }

    read_permission = Permission.READ_OWN_VEHICLES

    def selector(self, actor: Actor) -> QuerySet[Operator]:
        return visible_operators(actor)

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> Operator:
        return services.operator_add(actor=actor, record_id=record_id, **data)

    def change(self, actor: Actor, record_id: UUID, expected: Collection[int], changes: Mapping[str, Any]) -> object:
        return services.operator_update(actor=actor, operator_id=record_id, expected_versions=expected, changes=changes)
