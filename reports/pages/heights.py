"""The heights of a vehicle as its page shows them, drawn and tabled: rounds of its jobs and height checks between."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils import timezone
from django.utils.formats import date_format
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from calibration.metrology.corners import CORNERS, Corner
from calibration.models import Job
from calibration.selectors.check_days import assumed_time_of
from calibration.selectors.height_checks import MeasuredHeightCheck, newest_height_checks
from calibration.selectors.heights import MOST_ROUNDS, MeasuredHeight, MeasuredRound, measured_rounds
from fleet.actor import Actor
from fleet.looks.lengths import LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES
from fleet.models import Vehicle

from ..drawing.height_chart import (
    HeightChart,
    HeightPoint,
    PointKind,
    describe,
    draw_height_chart,
    shown_points,
    span_mm,
)
from ..drawing.svg import to_svg


@dataclass(frozen=True, slots=True)
class Measured:
    """A round or a height check; `job` and `setpoints` are a round's."""

    at: datetime
    kind: PointKind
    heights: Mapping[Corner, MeasuredHeight]
    setpoints: Mapping[str, int]
    job: Job | None = None
    check: MeasuredHeightCheck | None = None

    @property
    def is_time_assumed(self) -> bool:
        """Only the day of a check was noted."""
        return self.check is not None and assumed_time_of(self.check.check) is not None


def measured_on(actor: Actor, vehicle: Vehicle) -> list[Measured]:
    """What was measured on a vehicle, oldest first, as far as the actor may see it."""
    rounds = [_of_round(each) for each in measured_rounds(actor, vehicle)]
    checks = [_of_check(each) for each in newest_height_checks(actor, vehicle, MOST_ROUNDS)]
    return sorted([*rounds, *checks], key=lambda each: each.at)


def _of_round(measured: MeasuredRound) -> Measured:
    return Measured(measured.round.happened_at, "round", measured.heights, measured.round.setpoints, measured.job)


def _of_check(measured: MeasuredHeightCheck) -> Measured:
    kind: PointKind = "check" if measured.is_loaded_as_specified else "other_load"
    heights = {corner: _height(measured.result["corners"][corner]) for corner in CORNERS}
    return Measured(measured.check.happened_at, kind, heights, {}, check=measured)


def _height(found: Mapping[str, Any]) -> MeasuredHeight:
    return MeasuredHeight(
        height_mm=found["mean_mm"],
        expanded_uncertainty_mm=found["expanded_uncertainty_mm"],
        target_mm=found["target_mm"],
        tolerance_mm=found["tolerance_mm"],
        verdict=found["verdict"],
    )


def charts(found: Sequence[Measured], unit: LengthUnit) -> list[dict[str, Any]]:
    """A chart for each corner at which something was measured, with the table behind it."""
    measured = {corner: [each for each in found if corner in each.heights] for corner in CORNERS}
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


def _notes(measured: MeasuredHeightCheck, corner: Corner) -> list[str]:
    """Why a check has no verdict, or one that it had not when it came."""
    notes = [_("no specification for this day")] if measured.is_waiting else []
    if measured.later is not None:
        values = {
            "revision": measured.later.revision.revision,
            "day": date_format(timezone.localtime(measured.later.known_at), "SHORT_DATE_FORMAT"),
        }
        notes.append(_("by revision %(revision)s, known since %(day)s, after this check") % values)
    if any(each.corner == corner for each in measured.unconfirmed):
        notes.append(_("far from target and never confirmed"))
    return notes


def _point(measured: Measured, corner: Corner) -> HeightPoint:
    height = measured.heights[corner]
    return HeightPoint(
        job=_("Job %(number)s") % {"number": measured.job.number} if measured.job else _("Checks"),
        day=date_format(timezone.localtime(measured.at), "SHORT_DATE_FORMAT"),
        height_mm=height.height_mm,
        expanded_uncertainty_mm=height.expanded_uncertainty_mm,
        target_mm=height.target_mm,
        tolerance_mm=height.tolerance_mm,
        verdict=height.verdict,
        setpoint=measured.setpoints.get(corner),
        kind=measured.kind,
    )


def _svg(chart: HeightChart, key: str, span: float) -> SafeString:
    title = _("%(corner)s: heights from round to round") % {"corner": chart.title}
    svg = to_svg(draw_height_chart(chart, span=span), title=title, description=describe(chart), id_prefix=key)
    return mark_safe(svg)  # noqa: S308  (drawn here; what people typed is in text nodes, which the drawing escapes)


def _row(measured: Measured, corner: Corner, unit: LengthUnit) -> dict[str, Any]:
    height = measured.heights[corner]
    uncertainty, target = height.expanded_uncertainty_mm, height.target_mm
    return {
        "at": measured.at,
        "job": measured.job,
        "check": measured.check.check.pk if measured.check else None,
        "is_time_assumed": measured.is_time_assumed,
        "is_loaded_otherwise": measured.kind == "other_load",
        "notes": _notes(measured.check, corner) if measured.check else [],
        "height": length(height.height_mm, unit),
        "uncertainty": length(uncertainty, unit) if uncertainty is not None else "",
        "target": length(target, unit) if target is not None else "",
        "tolerance": length(height.tolerance_mm or 0.0, unit) if target is not None else "",
        "verdict": height.verdict,
        "setpoint": measured.setpoints.get(corner),
    }
