"""The tyres of a vehicle as a person reads them off: one text for each wheel, or one for all four."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, ClassVar

from django.utils.translation import gettext_lazy as _
from rest_framework.exceptions import ErrorDetail, ValidationError

from fleet.api.fields import CornerMap, TyreSizeField
from fleet.api.inputs import RequestBody
from fleet.api.vehicles import FitmentInput, TyreInput
from fleet.models import Fitment
from fleet.specifications import CORNERS
from fleet.tyres import TyreSize, sidewall_of

from .bodies import BodyForm, Group, initial_of

Tyre = Mapping[str, Any]
_EMPTY = _("Must not be empty. Write what stands on the sidewall, here or once for all four wheels.")
_FOR_NONE = _(
    "Every wheel below has a text of its own, so this one stands for none. Empty the fields of the wheels that it is "
    "for, or this one."
)
_INCOMPLETE = _(
    "The load index and the speed symbol are missing behind the size. Write them as they stand on the sidewall, for "
    "example 255/60R18 112V or 235/65R16C 121/119R."
)


class SidewallField(TyreSizeField):
    """Size, load index and speed symbol in one text; of two load indices the first, for a tyre fitted singly."""

    def to_internal_value(self, data: Any) -> Any:
        read = self.parsed(data)
        if read.load_index is None:
            raise ValidationError([ErrorDetail(str(_INCOMPLETE), "service_description_missing")])
        return {"size": _recorded_size(read), "load_index": read.load_index, "speed_symbol": read.speed_symbol}


class Wheel(RequestBody):
    """A tyre as far as something was typed about it."""

    sidewall = SidewallField(required=False, allow_null=True)
    tread_mm = TyreInput().fields["tread_mm"]
    pressure_kpa = TyreInput().fields["pressure_kpa"]


class FourWheels(FitmentInput):
    """A fitment whose wheels may have their tyres, or parts of what is known of them, in common."""

    all_four = Wheel()
    tyres = CornerMap(Wheel())

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        common = attrs.pop("all_four")
        if common.get("sidewall") and all(own.get("sidewall") for own in attrs["tyres"].values()):
            raise ValidationError({"all_four": {"sidewall": [ErrorDetail(str(_FOR_NONE), "stands_for_none")]}})
        wheels = {corner: _over(common, own) for corner, own in attrs["tyres"].items()}
        lacking = [corner for corner, wheel in wheels.items() if wheel["sidewall"] is None]
        if lacking:
            detail = [ErrorDetail(str(_EMPTY), "required")]
            raise ValidationError({"tyres": {corner: {"sidewall": detail} for corner in lacking}})
        return {**attrs, "tyres": {corner: _tyre(wheel) for corner, wheel in wheels.items()}}


class FitmentForm(BodyForm):
    """The tyres on all four corners."""

    body_class = FourWheels
    labels: ClassVar = {
        "fitted_on": _("Fitted on"),
        "odometer_km": _("Odometer"),
        "sidewall": _("On the sidewall"),
        "tread_mm": _("Tread depth"),
        "pressure_kpa": _("Pressure"),
    }
    hints: ClassVar = {
        "fitted_on": "",
        "odometer_km": "",
        "sidewall": "",
        "all_four-sidewall": _("Size, load index and speed symbol: 255/60R18 112V or 235/65R16C 121/119R."),
        "tread_mm": "",
        "pressure_kpa": "",
        "all_four-pressure_kpa": _("100 kPa are 1 bar."),
    }
    groups = (
        Group("", ("fitted_on", "odometer_km")),
        Group(
            _("All four wheels"),
            ("all_four",),
            _("What is written here stands for every wheel below whose own field is empty."),
        ),
        Group(_("Front left"), ("tyres-FL-sidewall", "tyres-FL-tread_mm", "tyres-FL-pressure_kpa")),
        Group(_("Front right"), ("tyres-FR-sidewall", "tyres-FR-tread_mm", "tyres-FR-pressure_kpa")),
        Group(_("Rear left"), ("tyres-RL-sidewall", "tyres-RL-tread_mm", "tyres-RL-pressure_kpa")),
        Group(_("Rear right"), ("tyres-RR-sidewall", "tyres-RR-tread_mm", "tyres-RR-pressure_kpa")),
    )


def typed_before(latest: Fitment | None) -> dict[str, Any]:
    """What the fields hold at first: what lasts of the tyres that were on the vehicle, once where all are the same."""
    texts = {corner: sidewall_of(tyre) for corner, tyre in (latest.tyres if latest else {}).items()}
    if len(texts) == len(CORNERS) and len(set(texts.values())) == 1:
        return initial_of({"all_four": {"sidewall": texts[CORNERS[0]]}})
    return initial_of({"tyres": {corner: {"sidewall": text} for corner, text in texts.items()}})


def _recorded_size(read: TyreSize) -> str:
    return f"{read.size_alone} XL" if read.extra_load else read.size_alone


def _over(common: Tyre, own: Tyre) -> dict[str, Any]:
    """Each of a wheel's own values where there is one, else that of all four."""
    names = ("sidewall", "tread_mm", "pressure_kpa")
    return {name: common.get(name) if own.get(name) is None else own[name] for name in names}


def _tyre(wheel: dict[str, Any]) -> dict[str, Any]:
    return {**wheel.pop("sidewall"), **wheel}
