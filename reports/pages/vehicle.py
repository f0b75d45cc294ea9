"""One vehicle: how it stands, how its heights and set-points came about, its papers, and everything that happened."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from calibration.metrology.corners import Corner
from calibration.models import Job
from calibration.pages.shown import names_of
from calibration.selectors.jobs import visible_jobs
from calibration.selectors.leak_tests import counted_period, leak_tests_of
from calibration.selectors.setpoints import SetpointChange, heights_around, setpoint_changes
from calibration.selectors.specifications import revision_in_force
from calibration.selectors.tyre_comparison import compared_tyres
from fleet.actor import Actor
from fleet.days import local_day
from fleet.history import summary_of
from fleet.looks.lengths import LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES
from fleet.models import Fitment, LedgerEntry, Vehicle
from fleet.pages.lists import Part, part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import is_now_visible, vehicle_by_vin, within_tenures

from ..models import Certificate
from ..selectors.certificates import visible_certificates
from ..selectors.conclusions import conclusions_of
from ..selectors.standing import standing_of
from ..standing_words import standing_shown
from .drift import drift_shown
from .heights import Measured, charts, measured_on
from .leak_rows import leak_test_rows
from .tyre_rows import tyre_rows

ENTRIES_SHOWN: Final = 25
CHANGES_SHOWN: Final = 40
DOCUMENTS_SHOWN: Final = 20
JOBS_SHOWN: Final = 20
LEAK_TESTS_SHOWN: Final = 5


class VehicleView(WorkshopPage):
    """`/vehicles/<vin>/`"""

    permission = Permission.READ_OWN_VEHICLES

    def get(self, request: HttpRequest, vin: str) -> HttpResponse:
        vehicle = vehicle_by_vin(self.actor, vin)
        unit = self.reader.length_unit
        measured = measured_on(self.actor, vehicle)
        jobs = visible_jobs(self.actor).filter(vehicle=vehicle).order_by("-opened_at", "-id")[:JOBS_SHOWN]
        values = {
            "vehicle": vehicle,
            "is_seen_now": is_now_visible(self.actor, vehicle),
            "may_check": may(self.actor, Permission.RECORD_CHECKS),
            "may_work": may(self.actor, Permission.RECORD_FACTS),
            "specification": revision_in_force(vehicle.vehicle_model_id, local_day(self.actor.now)),
            "jobs": [(job, Job.State(job.state).label, Job.Reason(job.reason).label) for job in jobs],
            "charts": charts(measured, unit),
            "has_waiting": any(each.check is not None and each.check.is_waiting for each in measured),
            "has_unconfirmed": any(each.check is not None and each.check.unconfirmed for each in measured),
            "may_specify": may(self.actor, Permission.SET_UP),
            "has_checks": any(each.kind != "round" for each in measured),
            "unit": unit,
            **_setpoints(self, vehicle),
            **_tyres(self, vehicle),
            **_present(self, vehicle, measured),
            "leak_tests": _leak_tests(self, vehicle),
            "certificates": _papers(self.actor, vehicle),
            **_timeline(self, request, vehicle),
        }
        return render(request, "reports/pages/vehicle.html", values)


def _papers(actor: Actor, vehicle: Vehicle) -> list[Certificate]:
    """The newest, each with its headline."""
    papers = list(visible_certificates(actor).filter(vehicle=vehicle)[:DOCUMENTS_SHOWN])
    said = conclusions_of([each.pk for each in papers])
    for each in papers:
        each.headline = said[each.pk].conclusion.headline if each.pk in said else ""  # type: ignore[attr-defined]
    return papers


def _present(page: WorkshopPage, vehicle: Vehicle, measured: Sequence[Measured]) -> dict[str, Any]:
    """How it stands now, and how it drifts: for whoever sees it now."""
    if not is_now_visible(page.actor, vehicle):
        return {"standing": None, "drift": None}
    standing, unit = standing_of(page.actor, vehicle), page.reader.length_unit
    return {
        "standing": standing_shown(standing, unit, page.reader.time_zone),
        "drift": drift_shown(page.actor, vehicle, standing.drift, measured, unit=unit, zone=page.reader.time_zone),
    }


def _leak_tests(page: WorkshopPage, vehicle: Vehicle) -> list[dict[str, Any]]:
    found = leak_tests_of(page.actor, vehicle, LEAK_TESTS_SHOWN)
    unit = page.reader.length_unit
    periods = [counted_period(each.test) for each in found]
    return [
        leak_test_rows(each.result, unit, job=each.test.job, start=start, end=end)
        for each, (start, end) in zip(found, periods, strict=True)
    ]


# --- set-points, tyres, history -----------------------------------------------------------------------
def _setpoints(page: WorkshopPage, vehicle: Vehicle) -> dict[str, Any]:
    changes = setpoint_changes(page.actor, vehicle)
    shown = changes[:CHANGES_SHOWN]
    return {"changes": change_rows(shown, page.reader.length_unit), "changes_left_out": len(changes) - len(shown)}


def change_rows(changes: Sequence[SetpointChange], unit: LengthUnit) -> list[dict[str, Any]]:
    """From → to, when, who, why, and what it did to the height."""
    heights = heights_around(changes)
    names = names_of(each.sighting.recorded_by for each in changes)
    jobs = Job.objects.in_bulk({each.sighting.job_id for each in changes})

    def height(of_round: Any, corner: Corner) -> str:
        found = heights.get((of_round, corner)) if of_round else None
        return length(found, unit) if found is not None else ""

    return [
        {
            "at": each.sighting.at,
            "who": names.get(each.sighting.recorded_by, "") if each.sighting.recorded_by else "",
            "corner": CORNER_NAMES[each.corner],
            "before": each.before,
            "after": each.after,
            "is_found": each.source == "found",
            "why": each.why,
            "job": jobs[each.sighting.job_id],
            "height_before": height(each.round_before, each.corner),
            "height_after": height(each.round_after, each.corner),
        }
        for each in changes
    ]


def _tyres(page: WorkshopPage, vehicle: Vehicle) -> dict[str, Any]:
    """The tyres now fitted, and the days on which others were."""
    found = compared_tyres(page.actor, vehicle)
    if found is None:
        return {"tyres": None}
    fitments = within_tenures(Fitment.objects.filter(vehicle=vehicle), page.actor, vehicle, "recorded_at")
    return {"tyres": tyre_rows(found, page.reader.length_unit), "earlier_fitments": list(fitments[1:])}


def _timeline(page: WorkshopPage, request: HttpRequest, vehicle: Vehicle) -> dict[str, Any]:
    """Everything on the vehicle's ledger in sentences, newest first."""
    entries = within_tenures(LedgerEntry.objects.filter(book=vehicle.pk), page.actor, vehicle, "recorded_at")
    part: Part = part_of(request, entries.order_by("-sequence"), ENTRIES_SHOWN)
    names = names_of(each.actor for each in part.rows)
    told = [
        {
            "at": each.recorded_at,
            "text": summary_of(each),
            "who": names.get(each.actor, "") if each.actor else "",
        }
        for each in part.rows
    ]
    return {"timeline": told, "part": part}
