"""Vehicle models, and which revisions of their specification there are."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from fleet import services
from fleet.api.resources import found
from fleet.api.vehicle_models import VehicleModelFields, VehicleModelInput
from fleet.models import Specification, VehicleModel
from fleet.permissions import Permission, may
from fleet.selectors.vehicle_models import in_force_first, specification_in_force

from .bodies import BodyForm
from .changing import ChangePage, FormPage, ListPage
from .workshop_page import WorkshopPage

LABELS: Mapping[str, Any] = {
    "make": _("Make"),
    "name": _("Model"),
    "year_from": _("From model year"),
    "year_to": _("To model year"),
}


class NewVehicleModelForm(BodyForm):
    """A new vehicle model."""

    body_class = VehicleModelInput
    labels = LABELS
    hints: ClassVar = {"year_to": _("Leave it out while it is made.")}


class VehicleModelForm(BodyForm):
    """A vehicle model."""

    body_class = VehicleModelFields
    labels = LABELS
    hints: ClassVar = {"year_to": _("Leave it out while it is made.")}


class VehicleModelsView(ListPage):
    """`/vehicle-models/`"""

    template = "fleet/setup/vehicle_models.html"
    sorts: ClassVar = {"model": ("make", "name", "year_from"), "year": ("year_from", "make", "name")}

    def rows(self) -> QuerySet[VehicleModel]:
        in_force = in_force_first(self.actor.now).filter(vehicle_model=OuterRef("pk"))
        return VehicleModel.objects.annotate(
            revision_in_force=Subquery(in_force.values("revision")[:1]),
            is_specified=Exists(Specification.objects.filter(vehicle_model=OuterRef("pk"))),
            vehicle_count=Count("vehicles"),
        )

    def matching(self, rows: QuerySet[VehicleModel], text: str) -> QuerySet[VehicleModel]:
        for word in text.split():
            rows = rows.filter(Q(make__icontains=word) | Q(name__icontains=word))
        return rows


class NewVehicleModelView(FormPage):
    """`/vehicle-models/new/`: leads on to its specification."""

    form_class = NewVehicleModelForm
    model = VehicleModel
    kind = VehicleModel._meta.label_lower
    leads_to = "vehicle_models"
    heading = _("Add a vehicle model")
    explanation = _("A make and model over a span of model years. What it allows is said in its specification.")
    submit = _("Add")
    done = _("The vehicle model is added. Record its specification now.")

    def make(self, record_id: UUID, values: dict[str, Any]) -> VehicleModel:
        return services.vehicle_model_add(actor=self.actor, record_id=record_id, **values)

    def destination(self, made: VehicleModel) -> str:
        return reverse("vehicle_model", args=[made.pk])


class VehicleModelView(WorkshopPage):
    """`/vehicle-models/<id>/`"""

    permission = Permission.READ_WORKSHOP

    def get(self, request: HttpRequest, vehicle_model: UUID) -> HttpResponse:
        shown = found(VehicleModel.objects.annotate(vehicle_count=Count("vehicles")), vehicle_model)
        in_force = specification_in_force(shown.pk, self.actor.now)
        values = {
            "vehicle_model": shown,
            "revisions": list(shown.specifications.order_by("-revision")),
            "in_force": in_force.revision if in_force else None,
            "may_set_up": may(self.actor, Permission.SET_UP),
        }
        return render(request, "fleet/setup/vehicle_model.html", values)


class ChangeVehicleModelView(ChangePage):
    """`/vehicle-models/<id>/change/`"""

    form_class = VehicleModelForm
    model = VehicleModel
    parameter = "vehicle_model"
    kind = "page.vehicle_model_update"
    done = _("The vehicle model is changed.")

    def initial(self) -> Mapping[str, Any]:
        vehicle_model = self.record
        return {name: getattr(vehicle_model, name) for name in (*LABELS, "version")}

    def change(self, versions: list[int], values: dict[str, Any]) -> VehicleModel:
        model_id = self.kwargs["vehicle_model"]
        return services.vehicle_model_update(
            actor=self.actor, vehicle_model_id=model_id, expected_versions=versions, changes=values
        )

    def destination(self, made: VehicleModel) -> str:
        return self.cancel_url()

    def cancel_url(self) -> str:
        return reverse("vehicle_model", args=[self.kwargs["vehicle_model"]])
