"""A vehicle's set-points over time, and the reset of the baseline that shift limits count from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Any
from uuid import UUID

from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.serializers import BaseSerializer

from calibration.models import BaselineReset, Job
from calibration.selectors.setpoints import Heights, SetpointChange, heights_around, setpoint_changes
from calibration.services.jobs import baseline_reset
from fleet.models import Membership, Vehicle
from fleet.permissions import Permission
from fleet.selectors.vehicles import vehicle_by_vin

from .. import examples
from ..documents import Shown, columns
from ..openapi import RECORDING
from ..pages import ComputedPagination
from ..serializers.vehicles import BaselineResetRecord, NewBaselineReset, SetpointChangeRecord
from .base import RecordsViewSet


class VehicleSetpointsViewSet(RecordsViewSet):
    """`/vehicles/{vin}/setpoints/` and `/vehicles/{vin}/baseline-reset/`"""

    model = BaselineReset
    pagination_class = ComputedPagination
    bodies = {"create": NewBaselineReset}
    answers = {"create": (RECORDING, BaselineResetRecord)}
    summaries = {
        "list": _("Every change of the vehicle's set-points, newest first."),
        "create": _("Let shift limits count anew from the set-points read next, at the named corners (managers)."),
    }
    examples = examples.VEHICLES

    def get_serializer_class(self) -> type[BaseSerializer[Any]]:
        return SetpointChangeRecord if self.action == "list" else BaselineResetRecord

    @cached_property
    def vehicle(self) -> Vehicle:
        return vehicle_by_vin(self.actor, self.kwargs["vin"])

    def list(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        page = self.paginate_queryset(setpoint_changes(self.actor, self.vehicle))
        return self.get_paginated_response(self.shown(page or []))

    def documents(self, rows: Sequence[Any]) -> Iterable[Shown]:
        return _changes(rows) if self.action == "list" else [_reset(row) for row in rows]

    def create(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        vehicle = self.vehicle
        return self.record(
            self.body(Permission.RULE),
            lambda record_id, body: baseline_reset(actor=self.actor, record_id=record_id, vehicle=vehicle, **body)[0],
            lambda record_id: BaselineReset.objects.get(pk=record_id),
            vehicle=vehicle.pk,
        )


def _changes(changes: Sequence[SetpointChange]) -> list[Shown]:
    jobs = Job.objects.in_bulk({each.sighting.job_id for each in changes})
    people = Membership.objects.in_bulk({each.sighting.recorded_by for each in changes} - {None})
    heights = heights_around(changes)
    return [_change(each, jobs[each.sighting.job_id], people, heights) for each in changes]


def _change(change: SetpointChange, job: Job, people: dict[UUID, Membership], heights: Heights) -> Shown:
    sighting = change.sighting
    return {
        "at": sighting.at,
        "who": people.get(sighting.recorded_by) if sighting.recorded_by else None,
        "corner": change.corner,
        "from": change.before,
        "to": change.after,
        "source": change.source,
        "why": change.why,
        "job": job,
        "write": sighting.id if sighting.is_write else None,
        "proposal": sighting.proposal.pk if sighting.proposal else None,
        "height_before_mm": heights.get((change.round_before, change.corner)) if change.round_before else None,
        "height_after_mm": heights.get((change.round_after, change.corner)) if change.round_after else None,
    }


def _reset(row: BaselineReset) -> Shown:
    """One decision may cover several corners, each kept as a row."""
    together = BaselineReset.objects.filter(
        vehicle=row.vehicle_id, recorded_at=row.recorded_at, recorded_by=row.recorded_by
    )
    return {**columns(row), "corners": sorted(together.values_list("corner", flat=True))}
