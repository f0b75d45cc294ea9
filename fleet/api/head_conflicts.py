"""Heads on tablets with which the workshop's records do not go: managers see them, and say what explains them."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.mixins import ListModelMixin, RetrieveModelMixin
from rest_framework.request import Request
from rest_framework.response import Response

from fleet import services
from fleet.models import HeadConflict
from fleet.permissions import Permission, require

from .base import WorkshopViewSet
from .fields import AwareDateTime, TrimmedText
from .inputs import RecordSerializer
from .resources import ResourceMixin, found


class HeadConflictSerializer(serializers.Serializer[HeadConflict]):
    """That a tablet holds a head with which the workshop's tree does not go."""

    id = serializers.UUIDField()
    kind = serializers.ChoiceField(choices=HeadConflict.Kind.values)
    tablet = serializers.UUIDField(source="tablet_id", help_text=_("Id of the tablet that holds it."))
    size = serializers.IntegerField(help_text=_("How many ledger entries the head is over."))
    tree_size = serializers.IntegerField(help_text=_("How many the tree had when it was compared."))
    note = serializers.CharField(help_text=_("The head as the tablet holds it; `verify_records --head` takes it."))
    found_at = AwareDateTime()
    acknowledged_at = AwareDateTime(allow_null=True)
    acknowledged_by = serializers.UUIDField(allow_null=True, help_text=_("Id of the person, as in `/people/`."))
    explanation = serializers.CharField(help_text=_("What explains it, as the manager said; empty until then."))


class ExplanationInput(RecordSerializer):
    """What explains it."""

    explanation = TrimmedText(max_length=1000, help_text=_("What explains it, such as a backup that was restored."))


class HeadConflictViewSet(ResourceMixin, ListModelMixin, RetrieveModelMixin, WorkshopViewSet):
    """`/head-conflicts/`"""

    queryset = HeadConflict.objects.all()
    serializer_class = HeadConflictSerializer
    ordering = "-found_at"
    read_permission = Permission.SET_UP
    summaries = {
        "list": _("Heads that tablets hold and with which the records do not go, the newest first."),
        "retrieve": _("One of them."),
        "acknowledgement": _("Say what explains it. It stays where it is."),
    }

    def get_queryset(self) -> QuerySet[HeadConflict]:
        return HeadConflict.objects.all()

    @extend_schema(request=ExplanationInput, responses={200: HeadConflictSerializer})
    def acknowledgement(self, request: Request, pk: UUID, *args: Any, **kwargs: Any) -> Response:
        require(self.actor, Permission.SET_UP)
        conflict = found(self.get_queryset(), pk)
        data = self.validated(ExplanationInput)
        self.once(
            "fleet.head_conflict_acknowledgement",
            data,
            lambda _record_id: services.head_conflict_acknowledge(
                actor=self.actor, conflict_id=conflict.pk, explanation=data["explanation"]
            ),
            lambda _record_id: conflict,
            conflict=conflict.pk,
        )
        return Response(HeadConflictSerializer(self.get_queryset().get(pk=pk)).data)
