"""Alerts of drift: the list, and one of them with what is to be done about it."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any
from uuid import UUID

from django.contrib import messages
from django.db.models import Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _

from calibration.pages.shown import names_of
from fleet.actor import Actor
from fleet.looks.lengths import LengthUnit
from fleet.pages.lists import part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission, may, require
from fleet.selectors.vehicles import is_now_visible, sees_whole_workshop

from ..alert_words import alert_in_words
from ..models import DriftAlert
from ..selectors.alerts import alert_for, visible_alerts
from ..services.alerts import alert_acknowledge
from .forms import AcknowledgementForm, AlertFilterForm


def alert_row(actor: Actor, alert: DriftAlert, unit: LengthUnit) -> dict[str, Any]:
    """One alert as lists show it."""
    return {
        "alert": alert,
        "kind": DriftAlert.Kind(alert.kind).label,
        "state": DriftAlert.State(alert.state).label,
        "is_open": alert.state == DriftAlert.State.OPEN,
        "detail": alert_in_words(alert, unit),
        "registration": alert.vehicle.registration if is_now_visible(actor, alert.vehicle) else "",
    }


class AlertsView(WorkshopPage):
    """`/alerts/`"""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest) -> HttpResponse:
        form = AlertFilterForm(request.GET)
        is_valid = form.is_valid()
        part = part_of(request, self._wanted(form.cleaned_data if is_valid else {}))
        unit = self.reader.length_unit
        values = {
            "form": form,
            "part": part,
            "rows": [alert_row(self.actor, each, unit) for each in part.rows],
            "is_filtered": any(form.data.get(name) for name in form.fields),
        }
        status = HTTPStatus.OK if is_valid else HTTPStatus.UNPROCESSABLE_ENTITY
        return render(request, "reports/pages/alerts.html", values, status=status)

    def _wanted(self, wanted: dict[str, Any]) -> QuerySet[DriftAlert]:
        found = visible_alerts(self.actor).order_by("-opened_at", "-id")
        if wanted.get("state") != "any":
            found = found.filter(state=wanted.get("state") or DriftAlert.State.OPEN)
        if wanted.get("kind"):
            found = found.filter(kind=wanted["kind"])
        return found.filter(self._matching(wanted["q"])) if wanted.get("q") else found

    def _matching(self, text: str) -> Q:
        """A registration that one may not see now is not searched either."""
        registration = Q(vehicle__registration__icontains=text)
        if not sees_whole_workshop(self.actor):
            registration &= Q(vehicle__operator=self.actor.operator_id)
        return Q(vehicle__vin__icontains="".join(text.split())) | registration


class AlertView(WorkshopPage):
    """`/alerts/<id>/`: what is the matter, and what is to be done."""

    permission = Permission.READ_OWN_VEHICLES
    keeps_entries = True

    def get(self, request: HttpRequest, alert_id: UUID) -> HttpResponse:
        return self._page(alert_for(self.actor, alert_id), self.filled_in(AcknowledgementForm()))

    def post(self, request: HttpRequest, alert_id: UUID) -> HttpResponse:
        alert = alert_for(self.actor, alert_id)
        require(self.actor, Permission.RECORD_FACTS)
        form = AcknowledgementForm(request.POST)
        done = self._acknowledged(form, alert) if form.is_valid() else None
        if done is None:
            form.show_anew({})
            return self._page(alert_for(self.actor, alert_id), form, form.status)
        messages.success(request, _("Noted. The alert stays open until the matter is put right."))
        return redirect("alert_page", alert_id=alert_id)

    def _acknowledged(self, form: AcknowledgementForm, alert: DriftAlert) -> DriftAlert | None:
        return self.once(
            "reports.alert_acknowledgement",
            form,
            lambda record_id, body: alert_acknowledge(
                actor=self.actor, record_id=record_id, alert_id=alert.pk, note=body["note"]
            ),
            lambda _record_id: alert,
            alert=alert.pk,
        )

    def _page(self, alert: DriftAlert, form: AcknowledgementForm, status: int = HTTPStatus.OK) -> HttpResponse:
        is_open = alert.state == DriftAlert.State.OPEN
        may_note = is_open and alert.acknowledged_at is None and may(self.actor, Permission.RECORD_FACTS)
        values = {
            **alert_row(self.actor, alert, self.reader.length_unit),
            "resolution": DriftAlert.Resolution(alert.resolution).label if alert.resolution else "",
            "acknowledged_by": names_of([alert.acknowledged_by]).get(alert.acknowledged_by, "")
            if alert.acknowledged_by
            else "",
            "form": form,
            "shows_form": may_note or (form.is_bound and not form.is_valid()),
        }
        return render(self.request, "reports/pages/alert.html", values, status=status)
