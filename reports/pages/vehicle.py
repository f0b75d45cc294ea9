"""One vehicle: how it stands, how its heights and set-points came about, its papers, and everything that happened."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from calibration.metrology.corners import CORNERS, Corner
from calibration.models import Job
from calibration.pages.shown import names_of
from calibration.selectors.heights import MeasuredRound, measured_rounds
from calibration.selectors.jobs import visible_jobs
from calibration.selectors.leak_tests import counted_period, leak_tests_of
from calibration.selectors.setpoints import SetpointChange, heights_around, setpoint_changes
from calibration.selectors.specifications import revision_in_force
from fleet.history import summary_of
from fleet.looks.lengths import LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES
from fleet.models import Fitment, LedgerEntry, Vehicle
from fleet.pages.lists import Part, part_of
from fleet.pages.workshop_page import WorkshopPage
from fleet.permissions import Permission, may
from fleet.selectors.vehicles import is_now_visible, vehicle_by_vin, within_tenures

from ..drawing.height_chart import HeightChart, HeightPoint, describe, draw_height_chart, shown_points, span_mm
from ..drawing.svg import to_svg
from ..selectors.certificates import visible_certificates
from .drift import drift_shown
from .leak_rows import leak_test_rows

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
        rounds = measured_rounds(self.actor, vehicle)
        jobs = visible_jobs(self.actor).filter(vehicle=vehicle).order_by("-opened_at", "-id")[:JOBS_SHOWN]
        values = {
            "vehicle": vehicle,
            "is_seen_now": is_now_visible(self.actor, vehicle),
            "may_work": may(self.actor, Permission.RECORD_FACTS),
            "specification": revision_in_force(vehicle.vehicle_model_id, self.actor.now.date()),
            "jobs": [(job, Job.State(job.state).label, Job.Reason(job.reason).label) for job in jobs],
            "charts": charts(rounds, unit),
            "unit": unit,
            **_setpoints(self, vehicle),
            **_tyres(self, vehicle),
            "drift": drift_shown(self.actor, vehicle, rounds, unit) if is_now_visible(self.actor, vehicle) else None,
            "leak_tests": _leak_tests(self, vehicle),
            "certificates": visible_certificates(self.actor).filter(vehicle=vehicle)[:DOCUMENTS_SHOWN],
            **_timeline(self, request, vehicle),
        }
        return render(request, "reports/pages/vehicle.html", values)


# --- heights ------------------------------------------------------------------------------------------
def charts(rounds: Sequence[MeasuredRound], unit: LengthUnit) -> list[dict[str, Any]]:
    """A chart for each corner at which something was measured, with the table behind it."""
    measured = {corner: [each for each in rounds if corner in each.heights] for corner in CORNERS}
    drawn = {
        corner: HeightChart(str(CORNER_NAMES[corner]), tuple(_point(each, corner) for each in own), unit)
        for corner, own in measured.items()
        if own
    }
    span = span_mm(drawn.values())
    return [
        {
            "name": CORNER_NAMES[corner],
            "svg": _svg(chart, f"heights-{corner.lower()}", span),
            "rows": [_row(each, corner, unit) for each in reversed(measured[corner])],
            "left_out": len(chart.points) - len(shown_points(chart.points)),
        }
        for corner, chart in drawn.items()
    ]


def _point(measured: MeasuredRound, corner: Corner) -> HeightPoint:
    height = measured.heights[corner]
    return HeightPoint(
        job=_("Job %(number)s") % {"number": measured.job.number},
        day=date_format(timezone.localtime(measured.round.happened_at), "SHORT_DATE_FORMAT"),
        height_mm=height.height_mm,
        expanded_uncertainty_mm=height.expanded_uncertainty_mm,
        target_mm=height.target_mm,
        tolerance_mm=height.tolerance_mm,
        verdict=height.verdict,
        setpoint=measured.round.setpoints.get(corner),
    )


def _svg(chart: HeightChart, key: str, span: float) -> SafeString:
    title = _("%(corner)s: heights from round to round") % {"corner": chart.title}
    svg = to_svg(draw_height_chart(chart, span=span), title=title, description=describe(chart), id_prefix=key)
    return mark_safe(svg)  # noqa: S308  (drawn here; what people typed is in text nodes, which the drawing escapes)


def _row(measured: MeasuredRound, corner: Corner, unit: LengthUnit) -> dict[str, Any]:
    height = measured.heights[corner]
    uncertainty, target = height.expanded_uncertainty_mm, height.target_mm
    return {
        "at": measured.round.happened_at,
        "job": measured.job,
        "height": length(height.height_mm, unit),
        "uncertainty": length(uncertainty, unit) if uncertainty is not None else "",
        "target": length(target, unit) if target is not None else "",
        "tolerance": length(height.tolerance_mm or 0.0, unit) if target is not None else "",
        "verdict": height.verdict,
        "setpoint": measured.round.setpoints.get(corner),
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
    """The tyres now fitted by corner, and the days on which others were."""
    fitments = list(within_tenures(Fitment.objects.filter(vehicle=vehicle), page.actor, vehicle, "recorded_at"))
    now = fitments[0] if fitments else None
    rows = [(CORNER_NAMES[corner], now.tyres[corner]) for corner in CORNERS if corner in now.tyres] if now else []
    return {"fitment": now, "tyres": rows, "earlier_fitments": fitments[1:]}


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
