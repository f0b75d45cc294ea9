"""Bays: where vehicles are measured."""

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
from fleet.models import Bay

from .fields import AwareDateTime, CornerMap, PlainDate, StrictDecimal, TrimmedText
from .inputs import RecordSerializer, RequestBody, VersionNumber
from .resources import ChangeableViewSet


class BayFields(RequestBody):
    """A measuring place with its floor survey; levels never correct a height."""

    name = TrimmedText(max_length=80, help_text=_("What the workshop calls it."))
    surveyed_on = PlainDate(help_text=_("Day on which its floor was levelled."))
    pad_levels_mm = CornerMap(
        StrictDecimal(places=2, minimum=-500, maximum=500),
        help_text=_("Level of the floor under each wheel, mm above a common datum."),
    )


class BayInput(RecordSerializer, BayFields):
    """A new bay."""


class BaySerializer(BayFields):
    """A bay."""

    id = serializers.UUIDField()
    created_at = AwareDateTime()
    version = VersionNumber()


class BayViewSet(ChangeableViewSet):
    """`/bays/`"""

    queryset = Bay.objects.all()
    serializer_class = BaySerializer
    create_serializer_class = BayInput
    update_serializer_class = BayFields
    ordering = "name"
    summaries = {
        "list": _("The bays in which vehicles are measured."),
        "retrieve": _("One bay."),
        "create": _("Add a bay with the survey of its floor."),
        "partial_update": _("Rename a bay, or record another survey."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "a surveyed bay",
                {
                    "name": "Bay 2",
                    "surveyed_on": "2026-03-02",
                    "pad_levels_mm": {"FL": 0, "FR": 0.5, "RL": -0.5, "RR": 0},
                },
                request_only=True,
            )
        ]
    }

    def selector(self, actor: Actor) -> QuerySet[Bay]:
        return Bay.objects.all()

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> Bay:
        return services.bay_add(actor=actor, record_id=record_id, **data)

    def change(self, actor: Actor, record_id: UUID, expected: Collection[int], changes: Mapping[str, Any]) -> object:
        return services.bay_update(actor=actor, bay_id=record_id, expected_versions=expected, changes=changes)
