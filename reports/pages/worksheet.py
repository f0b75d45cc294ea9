"""The worksheet on paper: one sheet that is filled in by pen where no tablet works, and typed in afterwards."""

from __future__ import annotations

from typing import Any, Final
from uuid import UUID

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from calibration.metrology.corners import AXLE_OF, CORNERS, Corner
from calibration.metrology.specification import Specification as Targets
from calibration.rules.cautions import Caution, cautions_for
from calibration.selectors.casefile import case_of
from calibration.selectors.specifications import pure_specification, revision_in_force
from fleet.days import local_day
from fleet.looks.lengths import LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES
from fleet.models import Specification
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission
from fleet.selectors.vehicles import vehicle_by_vin
from fleet.specifications import READINESS_ITEMS

from ..certificate import texts

STEPS: Final = ("check_readiness", "measure", "write")
"""What is done by the sheet, and where somebody can be hurt."""
ROUNDS: Final = range(1, 4)
WRITES: Final = range(1, 3)


class _Worksheet(WorkshopPage):
    """A sheet, filled in as far as the service knows what belongs on it."""

    permission = Permission.READ_WORKSHOP

    def sheet(
        self, *, revision: Specification | None = None, targets: Targets | None = None, **about: Any
    ) -> HttpResponse:
        unit = self.reader.length_unit
        differ = about.get("concession") is not None
        values = {
            **about,
            "revision": revision,
            "corners": [_corner(corner, targets, unit) for corner in CORNERS],
            "rounds": ROUNDS,
            "writes": WRITES,
            "readiness": _readiness(revision),
            "caution_texts": [each.text for each in _cautions(targets_differ=differ)],
            "unit": unit,
        }
        return render(self.request, "reports/pages/worksheet.html", values)


class EmptyWorksheetView(_Worksheet):
    """`/worksheet/`: for any vehicle"""

    def get(self, request: HttpRequest) -> HttpResponse:
        return self.sheet()


class VehicleWorksheetView(_Worksheet):
    """`/vehicles/<vin>/worksheet/`: with the targets in force today"""

    def get(self, request: HttpRequest, vin: str) -> HttpResponse:
        vehicle = vehicle_by_vin(self.actor, vin)
        revision = revision_in_force(vehicle.vehicle_model_id, local_day(self.actor.now))
        targets = pure_specification(revision.content) if revision else None
        return self.sheet(vehicle=vehicle, revision=revision, targets=targets)


class JobWorksheetView(_Worksheet):
    """`/jobs/<id>/worksheet/`: with the targets that the job is judged by"""

    def get(self, request: HttpRequest, job_id: UUID) -> HttpResponse:
        case = case_of(self.actor, job_id)
        return self.sheet(
            vehicle=case.job.vehicle,
            job=case.job,
            revision=case.specification,
            targets=case.standing.specification,
            concession=case.standing.concession,
        )


def _corner(corner: Corner, targets: Targets | None, unit: LengthUnit) -> dict[str, Any]:
    row = {"name": CORNER_NAMES[corner], "target": "", "tolerance": "", "is_controlled": True}
    if targets is None:
        return row
    axle = targets.front if AXLE_OF[corner] == "front" else targets.rear
    return {
        **row,
        "target": length(axle.target_mm, unit),
        "tolerance": length(axle.tolerance_mm, unit),
        "is_controlled": corner in targets.controlled_corners,
    }


def _readiness(revision: Specification | None) -> list[dict[str, Any]]:
    spared = revision.content.get("readiness_not_applicable", ()) if revision else ()
    return [
        {"name": texts.wording(texts.READINESS_ITEMS, item), "may_be_spared": item in spared}
        for item in READINESS_ITEMS
    ]


def _cautions(*, targets_differ: bool) -> list[Caution]:
    """Those of all steps, each once."""
    every = (each for step in STEPS for each in cautions_for(step, targets_differ=targets_differ))
    return list(dict.fromkeys(every))
