"""Revisions of a specification: recorded, read, and two of them compared side by side."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar
from uuid import UUID

from django.forms.boundfield import BoundField
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from fleet import services
from fleet.api.resources import found
from fleet.api.vehicle_models import SpecificationInput, few_passing
from fleet.days import local_day
from fleet.errors import NotFound
from fleet.models import Specification, VehicleModel
from fleet.permissions import Permission
from fleet.selectors.vehicle_models import specification_in_force
from fleet.specifications import DEFAULTS, OWN_COLUMNS

from .bodies import BodyForm, initial_of, value_in_words
from .changing import FormPage
from .specification_words import GROUPS, HINTS, LABELS, READINESS_WORDS, SETPOINT_KIND_WORDS, UNITS, WHEN_NEEDED
from .workshop_page import WorkshopPage


class SpecificationForm(BodyForm):
    """The next revision."""

    body_class = SpecificationInput
    labels = LABELS
    hints = HINTS
    units = UNITS
    when_needed = WHEN_NEEDED
    groups = GROUPS

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for name, words in (("readiness_not_applicable", READINESS_WORDS), ("setpoint_kind", SETPOINT_KIND_WORDS)):
            self.fields[name].choices = list(words.items())  # type: ignore[attr-defined]  # a field of choices


@dataclass(frozen=True, slots=True)
class Line:
    """One field of one revision, or of two."""

    label: Any
    unit: Any
    values: tuple[str, ...]

    @property
    def differs(self) -> bool:
        return len(set(self.values)) > 1


def values_of(revision: Specification) -> dict[str, Any]:
    """By the names of the form's fields."""
    return initial_of({**revision.content, **{name: getattr(revision, name) for name in OWN_COLUMNS}})


def lines_of(*revisions: Specification) -> Iterator[tuple[Any, list[Line]]]:
    """The fields of these revisions in groups, each with one value for each revision."""
    form = SpecificationForm()
    values = [values_of(revision) for revision in revisions]
    for group, fields in form.shown_groups():
        yield (
            group,
            [_line(form, bound, unit, [each.get(bound.name) for each in values]) for bound, unit in fields],
        )


def _line(form: SpecificationForm, bound: BoundField, unit: Any, values: list[Any]) -> Line:
    """A unit that stands behind one value alone goes with its number."""
    if len(values) == 1 and values[0] in (1, -1):
        unit = form.unit(bound.name, 1)
    return Line(bound.label, unit, tuple(value_in_words(bound.field, each) for each in values))


def vehicle_model_of(page: WorkshopPage) -> VehicleModel:
    return found(VehicleModel.objects.all(), page.kwargs["vehicle_model"])


def revision_of(vehicle_model: VehicleModel, number: str | int) -> Specification:
    is_number = isinstance(number, int) or (number.isascii() and number.isdigit() and len(number) < 9)
    revision = vehicle_model.specifications.filter(revision=int(number)).first() if is_number else None
    if revision is None:
        raise NotFound
    return revision


class NewSpecificationView(FormPage):
    """`/vehicle-models/<id>/specifications/new/`: starts from the latest revision."""

    form_class = SpecificationForm
    model = Specification
    kind = Specification._meta.label_lower
    heading = _("Record a revision of the specification")
    explanation = _("Copy the figures from their source, and name it. All lengths are in millimetres.")
    submit = _("Record the revision")
    done = _("The revision is recorded.")
    template: ClassVar = "fleet/setup/specification_form.html"

    @cached_property
    def vehicle_model(self) -> VehicleModel:
        return vehicle_model_of(self)

    def initial(self) -> Mapping[str, Any]:
        latest = self.vehicle_model.specifications.order_by("-revision").first()
        if latest is None:
            return {**DEFAULTS, "effective_from": local_day(self.actor.now), "setpoint_kind": "absolute"}
        return {**values_of(latest), "effective_from": local_day(self.actor.now)}

    def make(self, record_id: UUID, values: dict[str, Any]) -> Specification:
        return services.specification_add(
            actor=self.actor, record_id=record_id, vehicle_model=self.vehicle_model, specification=values
        )

    def destination(self, made: Specification) -> str:
        return reverse("specification", args=[self.vehicle_model.pk, made.revision])

    def cancel_url(self) -> str:
        return reverse("vehicle_model", args=[self.vehicle_model.pk])

    def context(self) -> Mapping[str, Any]:
        return {"vehicle_model": self.vehicle_model}


class SpecificationView(WorkshopPage):
    """`/vehicle-models/<id>/specifications/<revision>/`"""

    permission = Permission.READ_WORKSHOP

    def get(self, request: HttpRequest, vehicle_model: UUID, revision: int) -> HttpResponse:
        model = vehicle_model_of(self)
        shown = revision_of(model, revision)
        in_force = specification_in_force(model.pk, self.actor.now)
        values = {
            "vehicle_model": model,
            "specification": shown,
            "is_in_force": in_force is not None and in_force.pk == shown.pk,
            "findings": few_passing(shown.true_vehicles_passing),
            "passing_percent": round(shown.true_vehicles_passing * 100),
            "groups": lines_of(shown),
        }
        return render(request, "fleet/setup/specification.html", values)


class ComparisonView(WorkshopPage):
    """`/vehicle-models/<id>/specifications/comparison/?earlier=1&later=2`"""

    permission = Permission.READ_WORKSHOP

    def get(self, request: HttpRequest, vehicle_model: UUID) -> HttpResponse:
        model = vehicle_model_of(self)
        pair = [revision_of(model, request.GET.get(name, "")) for name in ("earlier", "later")]
        groups = list(lines_of(*pair))
        values = {
            "vehicle_model": model,
            "earlier": pair[0],
            "later": pair[1],
            "groups": groups,
            "differing": [line for _group, lines in groups for line in lines if line.differs],
        }
        return render(request, "fleet/setup/comparison.html", values)
