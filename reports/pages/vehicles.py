"""The list of vehicles."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from calibration.models import Job
from calibration.selectors.vehicle_drift import drifts_of
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import is_now_visible, sees_whole_workshop

from ..selectors.due import next_check
from ..selectors.vehicle_list import listed_vehicles
from ..standing_words import known_word
from .forms import VehicleFilterForm

STATES = dict(Job.State.choices)


class VehiclesView(WorkshopPage):
    """`/vehicles/`"""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest) -> HttpResponse:
        form = VehicleFilterForm(request.GET, is_of_workshop=sees_whole_workshop(self.actor))
        is_valid = form.is_valid()
        part = part_of(request, listed_vehicles(self.actor, form.cleaned_data if is_valid else {}))
        seen_now = [vehicle for vehicle in part.rows if is_now_visible(self.actor, vehicle)]
        drifts = drifts_of({vehicle.pk for vehicle in seen_now})
        for vehicle in part.rows:
            vehicle.last_state_word = STATES.get(vehicle.last_state, "")
        for vehicle in seen_now:
            vehicle.is_seen_now = True
            vehicle.known_word = known_word(vehicle.known)
            vehicle.drift = drifts.get(vehicle.pk)
            vehicle.next_check = next_check(vehicle.drift, self.actor.now, self.reader.time_zone)
        values = {
            "form": form,
            "part": part,
            "is_filtered": any(form.data.get(name) for name in form.fields if name != "sort"),
            "may_add": may(self.actor, Permission.ADD_VEHICLES),
            "summary_of": self._operator(form.cleaned_data if is_valid else {}),
        }
        return render(
            request,
            "reports/pages/vehicles.html",
            values,
            status=HTTPStatus.OK if is_valid else HTTPStatus.UNPROCESSABLE_ENTITY,
        )

    def _operator(self, wanted: Mapping[str, Any]) -> UUID | None:
        """Whose summary is offered: the one that is looked for, or a contact's own."""
        if not sees_whole_workshop(self.actor):
            return self.actor.operator_id
        operator = wanted.get("operator")
        return operator.pk if operator else None
