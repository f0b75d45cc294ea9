"""Rounds, further readings and strikes."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from calibration.models import Assessment, Reading, ReadingStrike, Round
from calibration.services.repeats import readings_sent_before, round_sent_before
from calibration.services.rounds import reading_strike, readings_add, round_record
from fleet.errors import NotFound
from fleet.permissions import Permission
from fleet.worded_once import worded_once

from .. import examples
from ..corner_maps import require_controlled_corners
from ..documents import Shown, reading_documents, round_documents
from ..filters import RecordFilter
from ..openapi import RECORDING
from ..serializers.rounds import NewReadings, NewRound, NewStrike, ReadingRecord, RoundRecord, StrikeRecord
from .base import Body, RecordsViewSet


def shown_rounds(rows: Sequence[Round]) -> list[Shown]:
    """Rounds with what belongs to them, whatever their number in three queries."""
    ids = tuple(row.pk for row in rows)
    return round_documents(rows, _readings_in(ids), _strikes_in(ids), _assessments_with(ids))


@worded_once
def _readings_in(round_ids: tuple[UUID, ...]) -> QuerySet[Reading]:
    return Reading.objects.filter(round__in=round_ids).order_by("ordinal")


@worded_once
def _strikes_in(round_ids: tuple[UUID, ...]) -> QuerySet[ReadingStrike]:
    return ReadingStrike.objects.filter(reading__round__in=round_ids)


@worded_once
def _assessments_with(round_ids: tuple[UUID, ...]) -> QuerySet[Assessment]:
    return Assessment.objects.filter(round__in=round_ids).order_by("recorded_at", "id")


class RoundViewSet(RecordsViewSet):
    """`/rounds/` and `/jobs/{id}/rounds/`"""

    model = Round
    serializer_class = RoundRecord
    filterset_class = RecordFilter
    bodies = {"create": NewRound}
    answers = {"create": (RECORDING, RoundRecord)}
    summaries = {
        "list": _("Rounds with their readings, oldest first."),
        "retrieve": _("One round with its readings and the latest assessment made with it."),
        "create": _("Record a round: all four corners, each at least twice, with the set-points then stored."),
    }
    examples = examples.ROUNDS

    def documents(self, rows: Sequence[Round]) -> list[Shown]:
        return shown_rounds(rows)

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        job = self.job

        def do(record_id: UUID, body: Body) -> Round:
            require_controlled_corners(job, body["setpoints"], "setpoints")
            return round_record(actor=self.actor, record_id=record_id, job_id=job.pk, **body)

        def sent_before(body: Body) -> Round | None:
            return round_sent_before(actor=self.actor, job_id=job.pk, **body)

        return self.record(self.body(Permission.RECORD_FACTS), do, sent_before=sent_before, job=job.pk)


class ReadingViewSet(RecordsViewSet):
    """`/readings/{id}/`, `/rounds/{id}/readings/` and `/readings/{id}/strike/`"""

    model = Reading
    ordering = "ordinal"
    ordering_fields = ("ordinal",)
    bodies = {"create": NewReadings, "strike": NewStrike}
    answers = {"create": (RECORDING, RoundRecord), "strike": (RECORDING, RoundRecord)}
    summaries = {
        "list": _("The readings of a round in their order, struck ones among them."),
        "retrieve": _("One reading."),
        "create": _("Add further readings to a round; its assessment is made again."),
        "strike": _("Strike out a wrong reading and replace it; both stay visible."),
        "strike_retrieve": _("The strike of a reading."),
    }
    examples = examples.READINGS

    def get_serializer_class(self) -> type[BaseSerializer[Any]]:
        special: dict[str, type[BaseSerializer[Any]]] = {
            "create": RoundRecord,
            "strike": RoundRecord,
            "strike_retrieve": StrikeRecord,
        }
        return special.get(self.action, ReadingRecord)

    @cached_property
    def round(self) -> Round:
        """The round that the address names, where the actor may see it."""
        found = self.in_visible_jobs(Round.objects.all()).filter(pk=self.kwargs["round_id"]).first()
        if found is None:
            raise NotFound
        return found  # type: ignore[no-any-return]

    def get_queryset(self) -> QuerySet[Reading]:
        rows = Reading.objects.all()
        if getattr(self, "swagger_fake_view", False):
            return rows.none()
        if "round_id" in self.kwargs:
            return rows.filter(round=self.round)
        return self.in_visible_jobs(rows, "round__job")

    def documents(self, rows: Sequence[Any]) -> Sequence[Any]:
        if self.action in {"create", "strike"}:
            return shown_rounds(rows)
        if self.action == "strike_retrieve":
            return rows
        return reading_documents(rows, ReadingStrike.objects.filter(reading__in=rows))

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        measured = self.round
        body = self.body(Permission.RECORD_FACTS)
        _know_by_first_reading(body)
        return self.record(
            body,
            lambda record_id, fields: readings_add(
                actor=self.actor, record_id=record_id, round_id=measured.pk, **fields
            ),
            lambda _id: measured,
            lambda fields: readings_sent_before(actor=self.actor, measured=measured, **fields),
            round=measured.pk,
        )

    def strike(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        reading: Reading = self.get_object()
        return self.record(
            self.body(Permission.RECORD_FACTS),
            lambda record_id, body: reading_strike(
                actor=self.actor, record_id=record_id, reading_id=reading.pk, **body
            ),
            lambda _id: reading.round,
            reading=reading.pk,
        )

    def strike_retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        strike = ReadingStrike.objects.filter(reading=self.get_object()).first()
        if strike is None:
            raise NotFound
        return Response(self.shown([strike])[0])


def _know_by_first_reading(body: Body) -> None:
    """Readings whose ids the client made are known by them when they are sent again without another id."""
    first: UUID | None = body["readings"][0].get("id")
    if first is not None:
        body.setdefault("id", first)
