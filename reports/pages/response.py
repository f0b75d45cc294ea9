"""What the vehicles of a model have taught of its responses, drawn and as a table."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from calibration.selectors.learned_responses import LearnedAxle, VehicleEstimate, learned_response
from fleet.api.resources import found
from fleet.days import local_day
from fleet.models import VehicleModel
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission

from ..drawing.quantities import rounded
from ..drawing.response_chart import (
    DECIMALS,
    MOST_SHOWN,
    ResponseChart,
    ResponsePoint,
    describe,
    draw_response_chart,
)
from ..drawing.svg import to_svg
from ..drawing.words import axle_name


class ResponseView(WorkshopPage):
    """`/vehicle-models/<id>/response/`"""

    permission = Permission.READ_WORKSHOP

    def get(self, request: HttpRequest, vehicle_model: UUID) -> HttpResponse:
        model = found(VehicleModel.objects.all(), vehicle_model)
        learned = learned_response(model, local_day(self.actor.now))
        values = {
            "vehicle_model": model,
            "specification": learned.specification,
            "axles": [_axle(each) for each in learned.axles],
        }
        return render(request, "reports/pages/response.html", values)


def _axle(learned: LearnedAxle) -> dict[str, Any]:
    return {
        "name": axle_name(learned.axle),
        "key": f"response-{learned.axle}",
        "svg": _svg(learned),
        "vehicles": learned.vehicles,
        "specified": rounded(learned.specified_mean, DECIMALS),
        "specified_sd": rounded(learned.specified_sd, DECIMALS),
        "mean": rounded(learned.mean, DECIMALS),
        "uncertainty": rounded(learned.mean_uncertainty, DECIMALS),
        "between": rounded(learned.between_sd, DECIMALS),
        "rows": [_row(place, each) for place, each in enumerate(learned.estimates, start=1)],
        "undrawn": max(0, len(learned.estimates) - MOST_SHOWN),
        "left_out": learned.left_out,
    }


def _svg(learned: LearnedAxle) -> SafeString:
    points = [ResponsePoint(_name(each), each.estimate, each.low, each.high) for each in learned.estimates]
    chart = ResponseChart(
        title=axle_name(learned.axle),
        specified_mean=learned.specified_mean,
        specified_sd=learned.specified_sd,
        learned_mean=learned.mean,
        learned_sd=learned.between_sd,
        vehicles=learned.vehicles,
        points=tuple(points),
    )
    title = _("%(axle)s: responses of the model's vehicles") % {"axle": chart.title}
    svg = to_svg(
        draw_response_chart(chart), title=title, description=describe(chart), id_prefix=f"response-{learned.axle}"
    )
    return mark_safe(svg)  # noqa: S308  (drawn here; what people typed is in text nodes, which the drawing escapes)


def _name(estimate: VehicleEstimate) -> str:
    return estimate.vehicle.registration or estimate.vehicle.vin


def _row(place: int, estimate: VehicleEstimate) -> dict[str, Any]:
    return {
        "number": place,
        "vin": estimate.vehicle.vin,
        "name": _name(estimate),
        "response": rounded(estimate.estimate, DECIMALS),
        "low": rounded(estimate.low, DECIMALS),
        "high": rounded(estimate.high, DECIMALS),
        "jobs": estimate.jobs,
        "known_at": estimate.known_at,
    }
