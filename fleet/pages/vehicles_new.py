"""Vehicles: added, changed, their VIN corrected, tyres and events recorded, labels printed."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cached_property
from typing import Any, ClassVar
from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from fleet import services
from fleet.api.vehicles import EventInput, VehicleChanges, VehicleInput, VinCorrectionInput
from fleet.days import local_day
from fleet.looks.corners import corner_name
from fleet.models import Fitment, Operator, ServiceEvent, Vehicle, VehicleModel, VinCorrection
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import vehicle_by_vin, visible_vehicles

from .bodies import BodyForm, Group
from .changing import ChangePage, FormPage
from .fitments import FitmentForm, typed_before
from .labels import Label
from .public_address import BENCH, public_address
from .workshop_page import WorkshopPage

VEHICLES = "/vehicles/"
MOST_LABELS = 100
LABELS: Mapping[str, Any] = {
    "vin": _("VIN"),
    "registration": _("Registration"),
    "vehicle_model": _("Vehicle model"),
    "model_year": _("Model year"),
    "operator": _("Operator"),
    "reason": _("Reason"),
    "kind": _("What was done or happened"),
    "corner": _("Corner"),
    "happened_at": _("When"),
    "note": pgettext_lazy("what somebody noted", "Note"),
}
VIN_HINT = _(
    "17 characters, as on the plate of the vehicle; spaces do not matter. The letters I, O and Q never occur. In a VIN "
    "that begins with 1 to 5 the ninth character is worked out from the others, so a mistyped one is found at once."
)


def vehicle_models() -> list[tuple[UUID, str]]:
    return [(model.pk, f"{model}, {model.year_from}–{model.year_to or ''}") for model in VehicleModel.objects.all()]


def operators() -> list[tuple[UUID, str]]:
    return list(Operator.objects.order_by("name").values_list("pk", "name"))


def _references() -> list[tuple[str, list[tuple[UUID, str]]]]:
    return [("vehicle_model", vehicle_models()), ("operator", operators())]


class NewVehicleForm(BodyForm):
    """A new vehicle."""

    body_class = VehicleInput
    labels = LABELS
    hints: ClassVar = {"vin": VIN_HINT, "vehicle_model": "", "operator": "", "model_year": ""}
    choices: ClassVar = {"vehicle_model": vehicle_models, "operator": operators}
    groups = (Group("", ("vin", "registration", "vehicle_model", "model_year", "operator")),)


class VehicleForm(BodyForm):
    """What may change about a vehicle."""

    body_class = VehicleChanges
    labels = LABELS
    hints: ClassVar = {
        "vehicle_model": "",
        "model_year": "",
        "operator": _("Another operator sees the vehicle from now on, the present one only their own time."),
    }
    choices: ClassVar = {"vehicle_model": vehicle_models, "operator": operators}


class OwnVehicleForm(VehicleForm):
    """What a technician may change about it."""

    left_out = frozenset({"vehicle_model", "operator"})


class VinCorrectionForm(BodyForm):
    """The right VIN."""

    body_class = VinCorrectionInput
    labels = {**LABELS, "vin": _("Right VIN")}
    hints: ClassVar = {"vin": VIN_HINT}


class EventForm(BodyForm):
    """Something that bears on the height."""

    body_class = EventInput
    labels = LABELS
    hints: ClassVar = {
        "kind": "",
        "corner": _("Needed where one corner is meant; left out for control unit, alignment, collision and other."),
        "happened_at": _("In the workshop's time."),
    }


class NewVehicleView(FormPage):
    """`/vehicles/new/`"""

    permission = Permission.ADD_VEHICLES
    template = "fleet/setup/vehicle_new.html"
    form_class = NewVehicleForm
    model = Vehicle
    kind = Vehicle._meta.label_lower
    heading = _("Add a vehicle")
    submit = _("Add")

    def initial(self) -> Mapping[str, Any]:
        only = {name: choices[0][0] for name, choices in _references() if len(choices) == 1}
        return {"vin": self.request.GET.get("vin", ""), **only}

    def make(self, record_id: UUID, values: dict[str, Any]) -> Vehicle:
        return services.vehicle_add(actor=self.actor, record_id=record_id, **values)

    def destination(self, made: Vehicle) -> str:
        messages.success(
            self.request, _("The vehicle is added. Record its tyres, then open its first job on a tablet.")
        )
        show_findings(self.request, made.notes)
        return vehicle_address(made)

    def cancel_url(self) -> str:
        return VEHICLES

    def context(self) -> Mapping[str, Any]:
        return {
            "lacks_model": not VehicleModel.objects.exists(),
            "lacks_operator": not Operator.objects.exists(),
            "may_set_up": may(self.actor, Permission.SET_UP),
        }


class VehiclePartPage(FormPage):
    """A form about one vehicle."""

    permission = Permission.RECORD_FACTS

    @cached_property
    def vehicle(self) -> Vehicle:
        return vehicle_by_vin(self.actor, self.kwargs["vin"])

    def destination(self, made: Any) -> str:
        return vehicle_address(self.vehicle)

    def cancel_url(self) -> str:
        return vehicle_address(self.vehicle)

    def context(self) -> Mapping[str, Any]:
        return {"vehicle": self.vehicle}


class ChangeVehicleView(ChangePage):
    """`/vehicles/<vin>/change/`"""

    permission = Permission.ADD_VEHICLES
    template = "fleet/setup/vehicle_form.html"
    kind = "page.vehicle_update"
    model = Vehicle
    parameter = "vin"
    done = _("The vehicle is changed.")

    @property
    def form_class(self) -> type[BodyForm]:  # type: ignore[override]  # by what the person may change
        return VehicleForm if may(self.actor, Permission.SET_UP) else OwnVehicleForm

    @property
    def record(self) -> Vehicle:
        return vehicle_by_vin(self.actor, self.kwargs["vin"])

    def initial(self) -> Mapping[str, Any]:
        vehicle = self.record
        own = {name: getattr(vehicle, name) for name in ("registration", "model_year", "version")}
        return {**own, "vehicle_model": vehicle.vehicle_model_id, "operator": vehicle.operator_id}

    def change(self, versions: list[int], values: dict[str, Any]) -> Vehicle:
        vehicle_id = self.record.pk
        return services.vehicle_update(
            actor=self.actor, vehicle_id=vehicle_id, expected_versions=versions, changes=values
        )

    def destination(self, made: Vehicle) -> str:
        return vehicle_address(made)

    def cancel_url(self) -> str:
        return vehicle_address(self.record)

    def context(self) -> Mapping[str, Any]:
        may_rule = may(self.actor, Permission.RULE)
        return {"vehicle": self.record, "heading": _("Change the vehicle"), "may_rule": may_rule}


class CorrectVinView(VehiclePartPage):
    """`/vehicles/<vin>/vin-correction/`"""

    permission = Permission.RULE
    form_class = VinCorrectionForm
    model = VinCorrection
    kind = VinCorrection._meta.label_lower
    heading = _("Correct the VIN")
    explanation = _("For a VIN that was mistyped. The vehicle keeps its records and answers to both numbers.")
    submit = _("Correct the VIN")
    done = _("The VIN is corrected.")

    def make(self, record_id: UUID, values: dict[str, Any]) -> VinCorrection:
        return services.vin_correct(actor=self.actor, record_id=record_id, vehicle_id=self.vehicle.pk, **values)

    def destination(self, made: Any) -> str:
        return vehicle_address(Vehicle.objects.get(pk=made.vehicle_id))


class RecordFitmentView(VehiclePartPage):
    """`/vehicles/<vin>/fitments/new/`: starts from the tyres that were on it."""

    form_class = FitmentForm
    model = Fitment
    kind = Fitment._meta.label_lower
    heading = _("Record tyres")
    explanation = _(
        "Size, load index and speed symbol are read from the sidewalls. The tread is the least depth anywhere on the "
        "tyre."
    )
    submit = _("Record the tyres")

    def initial(self) -> Mapping[str, Any]:
        latest = self.vehicle.fitments.order_by("-fitted_on", "-recorded_at").first()
        return {"fitted_on": local_day(self.actor.now), **typed_before(latest)}

    def make(self, record_id: UUID, values: dict[str, Any]) -> Fitment:
        return services.fitment_record(actor=self.actor, record_id=record_id, vehicle=self.vehicle, **values)

    def destination(self, made: Any) -> str:
        messages.success(self.request, _("The tyres are recorded."))
        show_findings(self.request, made.findings)
        return vehicle_address(self.vehicle)


class RecordEventView(VehiclePartPage):
    """`/vehicles/<vin>/events/new/`"""

    form_class = EventForm
    model = ServiceEvent
    kind = ServiceEvent._meta.label_lower
    heading = _("Record an event")
    explanation = _("What was replaced, repaired or happened, as far as it bears on the height.")
    submit = _("Record the event")

    def initial(self) -> Mapping[str, Any]:
        return {"happened_at": timezone.localtime()}

    def make(self, record_id: UUID, values: dict[str, Any]) -> ServiceEvent:
        return services.event_record(actor=self.actor, record_id=record_id, vehicle=self.vehicle, **values)

    def destination(self, made: Any) -> str:
        messages.success(self.request, _("The event is recorded."))
        show_findings(self.request, made.findings)
        return vehicle_address(self.vehicle)


class LabelsView(WorkshopPage):
    """`/vehicles/labels/?vin=…&vin=…`: a sheet to print; without a VIN those of the latest vehicles."""

    permission = Permission.READ_WORKSHOP

    def get(self, request: HttpRequest) -> HttpResponse:
        vins = request.GET.getlist("vin")[:MOST_LABELS]
        newest = visible_vehicles(self.actor).order_by("-created_at", "-pk")[:MOST_LABELS]
        vehicles = [vehicle_by_vin(self.actor, vin) for vin in vins] or list(newest)
        bench = public_address(request, BENCH)
        labels = [Label.of(vehicle, bench) for vehicle in vehicles]
        return render(request, "fleet/setup/labels.html", {"labels": labels, "bench": bench})


def show_findings(request: HttpRequest, findings: list[dict[str, Any]]) -> None:
    """Each finding once, with the corners that it is about; a note, of which nothing need follow, as no warning."""
    corners: dict[tuple[str, str], list[str]] = {}
    for finding in findings:
        corners.setdefault((finding["severity"], finding["detail"]), []).append(finding.get("corner", ""))
    for (severity, detail), where in corners.items():
        named = ", ".join(corner_name(corner) for corner in where if corner)
        level = messages.INFO if severity == "note" else messages.WARNING
        messages.add_message(request, level, f"{named}: {detail}" if named else detail)


def vehicle_address(vehicle: Vehicle) -> str:
    """Of the page that shows everything of it, which an upper app has."""
    return f"{VEHICLES}{vehicle.vin}/"
