"""Instruments: their calibrations, withdrawals, and how well people repeat their readings with them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cached_property
from typing import Any, ClassVar
from uuid import UUID

from django.db.models import Model, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from fleet import services
from fleet.api.instruments import CalibrationInput, InstrumentInput, WithdrawalInput
from fleet.api.resources import found
from fleet.days import local_day
from fleet.models import Instrument, InstrumentCalibration, InstrumentWithdrawal
from fleet.permissions import Permission, may
from fleet.selectors import instruments as selectors
from fleet.selectors.repeatability import repeatability_with_instruments

from .bodies import BodyForm, Group
from .changing import FormPage, ListPage
from .workshop_page import WorkshopPage

LABELS: Mapping[str, Any] = {
    "serial": _("Serial number"),
    "kind": _("Kind"),
    "accuracy_class": _("Accuracy class"),
    "resolution_mm": _("Resolution"),
    "length_mm": _("Length"),
    "hook_end": _("Its zero is a hook that can bend or wear"),
    "calibrated_on": _("Calibrated on"),
    "calibration_due_on": _("Calibration due on"),
    "certificate_number": _("Number of the certificate"),
    "expanded_uncertainty_mm": _("Expanded uncertainty"),
    "coverage_factor": _("Coverage factor k"),
    "since": _("Wrong since, at the earliest"),
    "reason": _("What was noticed"),
}
HINTS: Mapping[str, Any] = {"hook_end": "", "kind": "", "certificate_number": ""}
CALIBRATION = Group(_("Calibration"), ("calibrated_on", "calibration_due_on"))
CERTIFICATE = Group(
    _("Certificate"),
    ("certificate", "certificate_number"),
    _("What the calibration laboratory states. Needed where no accuracy class is printed on the instrument."),
)


class InstrumentForm(BodyForm):
    """A new instrument with its present calibration."""

    body_class = InstrumentInput
    labels = LABELS
    hints = HINTS
    groups = (
        Group(_("What it is"), ("serial", "kind", "length_mm", "resolution_mm", "hook_end")),
        Group(
            _("How accurate it is"),
            ("accuracy_class",),
            _("State either the accuracy class printed on it, or below the figures of its certificate."),
        ),
        CALIBRATION,
        CERTIFICATE,
    )


class CalibrationForm(BodyForm):
    """A calibration."""

    body_class = CalibrationInput
    labels = LABELS
    groups = (CALIBRATION, CERTIFICATE)


class WithdrawalForm(BodyForm):
    """Why it is no longer to be used."""

    body_class = WithdrawalInput
    labels = {**LABELS, "kind": _("What became of it")}
    hints: ClassVar = {"kind": "", "reason": ""}


class InstrumentsView(ListPage):
    """`/instruments/`"""

    template = "fleet/setup/instruments.html"
    sorts: ClassVar = {"serial": ("serial",), "kind": ("kind", "serial")}

    def rows(self) -> QuerySet[Instrument]:
        kind = self.request.GET.get("kind", "")
        rows = selectors.instruments()
        return rows.filter(kind=kind) if kind in Instrument.Kind.values else rows

    def matching(self, rows: QuerySet[Instrument], text: str) -> QuerySet[Instrument]:
        return rows.filter(serial__icontains=text)

    def context(self, rows: Iterable[Instrument]) -> Mapping[str, Any]:
        today = local_day(self.actor.now)
        return {
            "today": today,
            "kinds": Instrument.Kind.choices,
            "kind": self.request.GET.get("kind", ""),
        }


class NewInstrumentView(FormPage):
    """`/instruments/new/`"""

    form_class = InstrumentForm
    model = Instrument
    kind = Instrument._meta.label_lower
    leads_to = "instruments"
    heading = _("Add an instrument")
    submit = _("Add")
    done = _("The instrument is added.")

    def make(self, record_id: UUID, values: dict[str, Any]) -> Instrument:
        return services.instrument_add(actor=self.actor, record_id=record_id, **values)


class InstrumentView(WorkshopPage):
    """`/instruments/<id>/`"""

    permission = Permission.READ_WORKSHOP

    def get(self, request: HttpRequest, instrument: UUID) -> HttpResponse:
        shown = found(selectors.instruments(), instrument)
        values = {
            "instrument": shown,
            "latest": shown.latest_calibration,
            "today": local_day(self.actor.now),
            "withdrawals": [(each, selectors.jobs_in_doubt(self.actor, each)) for each in shown.withdrawals.all()],
            "repeatability": repeatability_with_instruments([shown.pk]),
            "may_set_up": may(self.actor, Permission.SET_UP),
        }
        return render(request, "fleet/setup/instrument.html", values)


class InstrumentPartPage(FormPage):
    """A form about one instrument."""

    @cached_property
    def instrument(self) -> Instrument:
        return found(Instrument.objects.all(), self.kwargs["instrument"])

    def destination(self, made: Model) -> str:
        return self.cancel_url()

    def cancel_url(self) -> str:
        return reverse("instrument", args=[self.instrument.pk])


class CalibrateInstrumentView(InstrumentPartPage):
    """`/instruments/<id>/calibration/`"""

    form_class = CalibrationForm
    model = InstrumentCalibration
    kind = InstrumentCalibration._meta.label_lower
    done = _("The calibration is recorded.")
    heading = _("Record a calibration")
    explanation = _("It also returns a withdrawn instrument to use.")
    submit = _("Record")

    def make(self, record_id: UUID, values: dict[str, Any]) -> InstrumentCalibration:
        return services.instrument_calibrate(
            actor=self.actor, record_id=record_id, instrument=self.instrument, **values
        )


class WithdrawInstrumentView(InstrumentPartPage):
    """`/instruments/<id>/withdrawal/`"""

    form_class = WithdrawalForm
    model = InstrumentWithdrawal
    kind = InstrumentWithdrawal._meta.label_lower
    done = _("The instrument is withdrawn. The jobs measured with it since its last good calibration are listed below.")
    heading = _("Withdraw an instrument")
    explanation = _(
        "Nobody can measure with it any more. The jobs measured with it since its last good calibration are listed for "
        "you to decide which vehicles come back."
    )
    submit = _("Withdraw")

    def make(self, record_id: UUID, values: dict[str, Any]) -> InstrumentWithdrawal:
        return services.instrument_withdraw(actor=self.actor, record_id=record_id, instrument=self.instrument, **values)
