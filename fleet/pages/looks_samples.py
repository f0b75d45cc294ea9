"""Invented data for the reference of the looks."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

from django import forms
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

from ..looks.tolerance_bar import CORNER_NAMES, ToleranceBar, span_mm


@dataclass(frozen=True, slots=True)
class SampleVehicle:
    registration: str
    vin: str


@dataclass(frozen=True, slots=True)
class SampleEvent:
    at: datetime
    title: str | Promise
    detail: str | Promise
    state: str | Promise = ""


WHO: Final = "Ada Brook, Brae Vehicle Services"
VEHICLE: Final = SampleVehicle("LB 42 HT", "XZZBR5AA2T0004711")
CAUTIONS: Final = (
    _("Keep head and hands out of the gap between tyre and arch: the vehicle can drop or rise without warning."),
    _("Nobody opens a door, leans on the vehicle or stands in the pit while it is measured or settles."),
    _("Never go under a vehicle that only its suspension holds. Secure it against rolling."),
    _("A running engine needs ventilation. Pressure in the system can injure."),
    _("Follow the manufacturer's procedure and local regulations. For qualified persons only."),
)
HISTORY: Final = (
    SampleEvent(
        datetime(2026, 10, 6, 10, 12, tzinfo=UTC),
        _("Job 17 signed off"),
        _("All four corners within tolerance. Certificate no. 9 was issued."),
        _("signed off"),
    ),
    SampleEvent(
        datetime(2026, 10, 6, 9, 31, tzinfo=UTC),
        _("Set-points written and read back"),
        _("Front left 128 → 116. The read-back agrees."),
    ),
    SampleEvent(
        datetime(2026, 10, 6, 8, 55, tzinfo=UTC),
        _("Round 1 measured"),
        _("Front left is 11.5 mm above its target."),
    ),
)


def bars() -> dict[str, ToleranceBar]:
    """One corner of each verdict, all on one scale."""
    given = {
        "FL": _bar("FL", 497.5, 2.6, 486, "outside"),
        "FR": _bar("FR", 490.1, 2.6, 486, "undecided"),
        "RL": _bar("RL", 503.2, 1.9, 504, "within"),
        "RR": _bar("RR", 505.0, 1.9, 504, "within"),
    }
    span = span_mm(given.values())
    return {corner: replace(bar, span_mm=span) for corner, bar in given.items()}


def row_bars() -> list[ToleranceBar]:
    """The same verdicts in rows, one without a verdict, one in inches."""
    return [
        replace(_bar("FL", 486.9, 2.1, 486, "within"), key="row-within"),
        replace(_bar("FR", 490.1, 2.6, 486, "undecided"), key="row-undecided"),
        replace(_bar("RL", 492.6, 1.9, 504, "outside"), key="row-outside"),
        replace(_bar("RR", 505.0, 1.9, 504, None), key="row-unjudged", unit="inch"),
    ]


def _bar(corner: str, height_mm: float, uncertainty_mm: float, target_mm: float, verdict: str | None) -> ToleranceBar:
    return ToleranceBar(
        key=f"bar-{corner.lower()}",
        name=CORNER_NAMES[corner],
        height_mm=height_mm,
        expanded_uncertainty_mm=uncertainty_mm,
        target_mm=target_mm,
        tolerance_mm=6.0,
        verdict=verdict,
    )


class SampleForm(forms.Form):
    """One field of each kind."""

    registration = forms.CharField(label=_("Registration"), max_length=12, help_text=_("As on the plate."))
    odometer = forms.IntegerField(label=_("Odometer"), min_value=0, localize=True)
    height = forms.DecimalField(
        label=_("Height, front left"),
        max_value=1500,
        localize=True,
        help_text=_("Hub centre to wheel arch, vertical. A decimal comma is understood."),
    )
    reason = forms.ChoiceField(
        label=_("Why is the vehicle here?"),
        widget=forms.RadioSelect,
        choices=[
            ("service", _("Service")),
            ("complaint", _("The driver complained")),
            ("repair", _("After a repair")),
        ],
    )
    ready = forms.MultipleChoiceField(
        label=_("Ready to measure"),
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text=_("Tick what is done."),
        choices=[
            ("floor", _("Level floor")),
            ("doors", _("Doors closed, nobody aboard")),
            ("tyres", _("Tyre pressures set")),
        ],
    )
    bay = forms.ChoiceField(label=_("Bay"), choices=[("1", _("Bay 1")), ("2", _("Bay 2"))])
    remark = forms.CharField(label=_("Remark"), required=False, widget=forms.Textarea(attrs={"rows": 3}))
    clear = forms.BooleanField(label=_("Everyone stands clear"))


class ReadingForm(forms.Form):
    reading = forms.DecimalField(label=_("Second reading"), localize=True, help_text=_("The first one stays hidden."))


def filled_form() -> SampleForm:
    initial = {"registration": VEHICLE.registration, "odometer": 84210, "reason": "service", "ready": ["floor"]}
    return SampleForm(initial=initial, prefix="blank")


def form_in_error() -> SampleForm:
    return SampleForm({"wrong-registration": "LB 42 HT", "wrong-height": "48,6 cm"}, prefix="wrong")
