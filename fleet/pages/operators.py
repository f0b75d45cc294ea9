"""Operators: the customers who run the vehicles."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Count, Q, QuerySet
from django.utils.translation import gettext_lazy as _

from fleet import services
from fleet.api.operators import OperatorFields, OperatorInput
from fleet.models import Operator

from .bodies import BodyForm
from .changing import ChangePage, FormPage, ListPage

LABELS: Mapping[str, Any] = {
    "name": _("Name"),
    "email": _("E-mail address"),
    "address": _("Address"),
    "telephone": _("Telephone"),
}


class NewOperatorForm(BodyForm):
    """A new operator."""

    body_class = OperatorInput
    labels = LABELS


class OperatorForm(BodyForm):
    """What is kept of an operator."""

    body_class = OperatorFields
    labels = LABELS


class OperatorsView(ListPage):
    """`/operators/`"""

    template = "fleet/setup/operators.html"
    sorts: ClassVar = {"name": ("name",), "vehicles": ("vehicle_count",)}

    def rows(self) -> QuerySet[Operator]:
        return Operator.objects.annotate(vehicle_count=Count("vehicles"))

    def matching(self, rows: QuerySet[Operator], text: str) -> QuerySet[Operator]:
        return rows.filter(Q(name__icontains=text) | Q(email__icontains=text))


class NewOperatorView(FormPage):
    """`/operators/new/`"""

    form_class = NewOperatorForm
    model = Operator
    kind = Operator._meta.label_lower
    leads_to = "operators"
    heading = _("Add an operator")
    explanation = _("The operator runs the vehicles, and is named on their certificates.")
    submit = _("Add")
    done = _("The operator is added.")

    def make(self, record_id: UUID, values: dict[str, Any]) -> Operator:
        return services.operator_add(actor=self.actor, record_id=record_id, **values)


class OperatorView(ChangePage):
    """`/operators/<id>/`"""

    form_class = OperatorForm
    model = Operator
    parameter = "operator"
    kind = "page.operator_update"
    leads_to = "operators"
    done = _("The operator is changed.")

    def initial(self) -> Mapping[str, Any]:
        operator = self.record
        return {name: getattr(operator, name) for name in (*LABELS, "version")}

    def change(self, versions: list[int], values: dict[str, Any]) -> Operator:
        operator_id = self.kwargs["operator"]
        return services.operator_update(
            actor=self.actor, operator_id=operator_id, expected_versions=versions, changes=values
        )
