"""Bays: where vehicles are measured, with the survey of their floor."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from fleet import services
from fleet.api.bays import BayFields, BayInput
from fleet.models import Bay

from .bodies import BodyForm, Group, initial_of
from .changing import ChangePage, FormPage, ListPage

LABELS: Mapping[str, Any] = {"name": _("Name"), "surveyed_on": _("Surveyed on")}
GROUPS = (
    Group("", ("name",)),
    Group(
        _("Survey of the floor"),
        ("surveyed_on", "pad_levels_mm"),
        _(
            "Put a level on the floor and note how high it is where each wheel stands, above one common point: zero "
            "there, negative below. The levels never correct a height. They show whether a twist that is found comes "
            "from the floor."
        ),
    ),
)


class NewBayForm(BodyForm):
    """A new bay."""

    body_class = BayInput
    labels = LABELS
    groups = GROUPS


class BayForm(BodyForm):
    """A bay's name, or another survey."""

    body_class = BayFields
    labels = LABELS
    groups = GROUPS


class BaysView(ListPage):
    """`/bays/`"""

    template = "fleet/setup/bays.html"
    sorts: ClassVar = {"name": ("name",), "surveyed": ("surveyed_on", "name")}

    def rows(self) -> QuerySet[Bay]:
        return Bay.objects.all()

    def matching(self, rows: QuerySet[Bay], text: str) -> QuerySet[Bay]:
        return rows.filter(name__icontains=text)


class NewBayView(FormPage):
    """`/bays/new/`"""

    form_class = NewBayForm
    model = Bay
    kind = Bay._meta.label_lower
    leads_to = "bays"
    heading = _("Add a bay")
    submit = _("Add")
    done = _("The bay is added.")

    def make(self, record_id: UUID, values: dict[str, Any]) -> Bay:
        return services.bay_add(actor=self.actor, record_id=record_id, **values)


class BayView(ChangePage):
    """`/bays/<id>/`"""

    form_class = BayForm
    model = Bay
    parameter = "bay"
    kind = "page.bay_update"
    leads_to = "bays"
    explanation = _("Jobs that were measured here keep the survey of their time.")
    done = _("The bay is changed.")

    def initial(self) -> Mapping[str, Any]:
        bay = self.record
        return initial_of({name: getattr(bay, name) for name in ("name", "surveyed_on", "pad_levels_mm", "version")})

    def change(self, versions: list[int], values: dict[str, Any]) -> Bay:
        bay_id = self.kwargs["bay"]
        return services.bay_update(actor=self.actor, bay_id=bay_id, expected_versions=versions, changes=values)
