"""The ledger as it is, and a vehicle's history read from it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.mixins import ListModelMixin
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.history import summary_of
from fleet.models import LedgerEntry
from fleet.permissions import Permission
from fleet.selectors.vehicles import sees_whole_workshop, vehicle_by_vin, within_tenures

from .fields import AwareDateTime
from .filters import AwareTimeFilter, TextFilter
from .person_names import PersonName
from .resources import ActionViewSet


class RecordNameSerializer(serializers.Serializer[Any]):
    """What an entry is about."""

    type = serializers.CharField()
    id = serializers.UUIDField()


class PersonNameSerializer(serializers.Serializer[Any]):
    """Who did it."""

    id = serializers.UUIDField()
    name = serializers.CharField()


class EntrySerializer(serializers.Serializer[LedgerEntry]):
    """An entry, with everything that its hash covers, and the actor's name."""

    id = serializers.UUIDField()
    workshop = serializers.UUIDField(source="workshop_id")
    book = serializers.UUIDField(help_text=_("The vehicle's id, or for set-up the workshop's."))
    sequence = serializers.IntegerField(help_text=_("Place in its book, without gaps."))
    recorded_at = AwareDateTime(help_text=_("Server time."))
    device_at = AwareDateTime(allow_null=True, help_text=_("What `Device-Time` said; null where it was not sent."))
    clock_offset_ms = serializers.IntegerField(
        allow_null=True, help_text=_("Server time minus device time, milliseconds.")
    )
    actor = serializers.UUIDField(allow_null=True)
    actor_name = PersonName("actor", help_text=_("As it is now; no part of what the hash covers."))
    roles = serializers.ListField(child=serializers.CharField())
    kind = serializers.CharField()
    record = serializers.SerializerMethodField()
    payload = serializers.DictField()
    previous_hash = serializers.CharField(help_text=_("`hash` of the entry before it in its book."))
    hash = serializers.CharField(help_text=_("SHA-256 over the entry in its canonical form (RFC 8785)."))

    @extend_schema_field(RecordNameSerializer)
    def get_record(self, entry: LedgerEntry) -> dict[str, str]:
        return {"type": entry.record_type, "id": str(entry.record_id)}


class HistorySerializer(serializers.Serializer[LedgerEntry]):
    """One thing that happened to a vehicle. `rows` holds what was recorded, for people of the workshop.

    The whole entry, which `hash` covers, is in the vehicle's ledger under the same `id` and `sequence`.
    """

    id = serializers.UUIDField()
    sequence = serializers.IntegerField(help_text=_("Place in its book, without gaps."))
    recorded_at = AwareDateTime(help_text=_("Server time."))
    device_at = AwareDateTime(allow_null=True, help_text=_("What `Device-Time` said; null where it was not sent."))
    kind = serializers.CharField()
    summary = serializers.SerializerMethodField(help_text=_("What happened, in one line with its figures."))
    record = serializers.SerializerMethodField()
    by = serializers.SerializerMethodField()
    facts = serializers.SerializerMethodField()
    rows = serializers.SerializerMethodField()
    hash = serializers.CharField(help_text=_("SHA-256 of the entry."))

    def get_summary(self, entry: LedgerEntry) -> str:
        return summary_of(entry)

    @extend_schema_field(RecordNameSerializer)
    def get_record(self, entry: LedgerEntry) -> dict[str, str]:
        return {"type": entry.record_type, "id": str(entry.record_id)}

    @extend_schema_field(PersonNameSerializer(allow_null=True))
    def get_by(self, entry: LedgerEntry) -> dict[str, str] | None:
        names: Mapping[Any, str] = self.context["view"].people_names
        return {"id": str(entry.actor), "name": names.get(entry.actor, "")} if entry.actor else None

    def get_facts(self, entry: LedgerEntry) -> dict[str, Any]:
        return dict(entry.payload["facts"])

    def get_rows(self, entry: LedgerEntry) -> dict[str, Any]:
        return dict(entry.payload["rows"]) if self.context["with_rows"] else {}


class HistoryFilter(django_filters.FilterSet):
    """`?kind=&since=&until=`, times with offset."""

    kind = TextFilter(max_length=48)
    since = AwareTimeFilter(field_name="recorded_at", lookup_expr="gte")
    until = AwareTimeFilter(field_name="recorded_at", lookup_expr="lt")

    class Meta:
        model = LedgerEntry
        fields = ("kind", "since", "until")


class LedgerViewSet(ListModelMixin, ActionViewSet):
    """`/ledger/`: the workshop's own book"""

    queryset = LedgerEntry.objects.all()
    serializer_class: type[serializers.Serializer[LedgerEntry]] = EntrySerializer
    filterset_class = HistoryFilter
    ordering = "sequence"
    summaries = {"list": _("The workshop's ledger: set-up, oldest first.")}

    read_permission = Permission.READ_WORKSHOP

    def get_queryset(self) -> QuerySet[LedgerEntry]:
        if getattr(self, "swagger_fake_view", False):
            return LedgerEntry.objects.none()
        return self.entries()

    def entries(self) -> QuerySet[LedgerEntry]:
        return LedgerEntry.objects.filter(book=self.actor.workshop_id)


class VehicleLedgerViewSet(LedgerViewSet):
    """`/vehicles/{vin}/ledger/`"""

    summaries = {"list": _("A vehicle's ledger, oldest first.")}

    def entries(self) -> QuerySet[LedgerEntry]:
        return LedgerEntry.objects.filter(book=vehicle_by_vin(self.actor, self.kwargs["vin"]).pk)


class HistoryViewSet(LedgerViewSet):
    """`/vehicles/{vin}/history/`"""

    serializer_class = HistorySerializer
    ordering = "-sequence"
    summaries = {"list": _("Everything that happened to a vehicle, newest first.")}

    read_permission = Permission.READ_OWN_VEHICLES

    def entries(self) -> QuerySet[LedgerEntry]:
        vehicle = vehicle_by_vin(self.actor, self.kwargs["vin"])
        entries = LedgerEntry.objects.filter(book=vehicle.pk)
        return within_tenures(entries, self.actor, vehicle, "recorded_at")

    @extend_schema(responses=HistorySerializer(many=True))
    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(self.filter_queryset(self.get_queryset())) or []
        context = {**self.get_serializer_context(), "with_rows": sees_whole_workshop(self.actor)}
        shown = HistorySerializer(page, many=True, context=context)  # type: ignore[arg-type]
        return self.get_paginated_response(shown.data)
