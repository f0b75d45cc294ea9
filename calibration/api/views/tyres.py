"""A vehicle's tyres compared with its specification's reference tyre."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework.request import Request
from rest_framework.response import Response

from calibration.metrology.corners import CORNERS
from calibration.metrology.tyre import AxleLoad, SpeedReading
from calibration.rules.tyre_comparison import ComparedCorner
from calibration.rules.tyre_texts import tyre_note_text
from calibration.selectors.tyre_comparison import ComparedTyres, compared_tyres
from fleet.errors import NotFound
from fleet.permissions import Permission
from fleet.selectors.vehicles import vehicle_by_vin

from ..documents import Shown
from ..serializers.tyres import TyreComparisonRecord
from .base import WorkViewSet


class VehicleTyresViewSet(WorkViewSet):
    """`/vehicles/{vin}/tyres/`"""

    read_permission = Permission.READ_OWN_VEHICLES
    serializer_class = TyreComparisonRecord
    summaries = {
        "retrieve": _("The tyres fitted now, compared with the reference tyre; 404 where none are on record."),
    }

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        found = compared_tyres(self.actor, vehicle_by_vin(self.actor, self.kwargs["vin"]))
        if found is None:
            raise NotFound
        return Response(self.get_serializer(_document(found)).data)


def _document(found: ComparedTyres) -> Shown:
    comparison = found.comparison
    return {
        "fitment": found.fitment.pk,
        "specification": found.specification.pk if found.specification else None,
        "reference_tyre": found.reference.designation if found.reference else None,
        "heights_measured_at": found.measured.round.happened_at if found.measured else None,
        "corners": {corner: _corner(comparison.corners[corner], found.fitment.tyres[corner]) for corner in CORNERS},
        "axle_loads": {axle: _axle_load(each) for axle, each in comparison.axle_loads.items()},
        "mismatch": asdict(comparison.mismatch),
        "speed": [_speed(each) for each in comparison.speed],
        "overreading_needed_pct": comparison.overreading_needed_pct,
        "notes": [
            {"code": each.code, "corner": each.corner, "axle": each.axle, "detail": tyre_note_text(each)}
            for each in comparison.notes
        ],
        "findings": found.findings,
    }


def _corner(compared: ComparedCorner, recorded: dict[str, Any]) -> Shown:
    return {
        "size": recorded["size"],
        "load_capacity_kg": recorded["load_capacity_kg"],
        "free_radius_mm": compared.overall_diameter_mm / 2,
        "overall_diameter_mm": compared.overall_diameter_mm,
        "rolling_circumference_mm": compared.rolling_circumference_mm,
        "revolutions_per_km": compared.revolutions_per_km,
        "difference": asdict(compared.difference) if compared.difference else None,
        "arch_clearance_mm": compared.arch_clearance_mm,
    }


def _axle_load(load: AxleLoad | None) -> Shown | None:
    if load is None:
        return None
    return {**asdict(load), "utilisation_pct": load.utilisation_pct, "sufficient": load.sufficient}


def _speed(reading: SpeedReading) -> Shown:
    return {**asdict(reading), "permitted": reading.permitted}
