"""How a vehicle drifts, as its page shows it: a chart and a few words for each corner."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import datetime, tzinfo
from typing import Any, Final

import numpy as np
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import gettext as _

from calibration.metrology.corners import CORNERS, Corner
from calibration.metrology.drift_forecast import forecast
from calibration.metrology.drift_series import SeriesState
from calibration.metrology.drift_state import DAYS_PER_YEAR, NORMAL_COVERAGE
from calibration.rules.drift_course import day_of
from calibration.selectors.vehicle_drift import CornerDrift, VehicleDrift
from fleet.actor import Actor
from fleet.looks.lengths import UNIT_SIGNS, LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES
from fleet.models import Vehicle

from ..alert_words import expected_in_words, likely_outside_in_words, passed_in_words, rate_in_words
from ..drawing.drift_chart import DriftChart, DriftPoint, ForecastPoint, draw_drift_chart
from ..drawing.svg import to_svg
from ..selectors.alerts import has_passed, open_alerts_of
from ..selectors.due import next_check
from .alerts import alert_row
from .heights import Measured

FORECAST_INTERVALS: Final = 2.0
FORECAST_STEPS: Final = 13


def drift_shown(
    actor: Actor,
    vehicle: Vehicle,
    drift: VehicleDrift | None,
    measured: Sequence[Measured],
    *,
    unit: LengthUnit,
    zone: tzinfo,
) -> dict[str, Any] | None:
    """What the page's part shows; None where nothing was ever judged."""
    if drift is None or not drift.is_judged:
        return None
    return {
        "alerts": [alert_row(actor, each, unit) for each in open_alerts_of(actor, vehicle)],
        "due": next_check(drift, actor.now, zone),
        "corners": [
            {
                "name": CORNER_NAMES[each.corner],
                "words": (words := corner_in_words(each, unit, actor.now)),
                "svg": _svg(each, _points(measured, each.corner), drift.state, words, unit, zone),
            }
            for each in drift.corners
        ],
    }


def corner_in_words(drift: CornerDrift, unit: LengthUnit, now: datetime) -> str:
    """Where a corner stands, which way it goes, and when that takes, or was to take, it out of its tolerance."""
    name = CORNER_NAMES[drift.corner]
    if drift.level_mm is None or drift.rate_mm_per_year is None or drift.expanded_uncertainty_mm is None:
        return _("%(corner)s: not measured since work was done there.") % {"corner": name}
    stands = _("%(corner)s: %(level)s ± %(uncertainty)s %(unit)s from target.") % {
        "corner": name,
        "level": length(drift.level_mm, unit, signed=True),
        "uncertainty": length(drift.expanded_uncertainty_mm, unit),
        "unit": UNIT_SIGNS[unit],
    }
    rate = {"rate": rate_in_words(drift.rate_mm_per_year, unit)}
    if not drift.is_known_to_move:
        # An alert of a trend may stand above it.
        perhaps = _("It probably %(rate)s; that is not certain yet.") % rate
        moves = perhaps if drift.probably_moves else _("It is not known to move.")
        return " ".join(filter(None, [stands, _already(drift), moves]))
    moves = _("It %(rate)s.") % rate
    if already := _already(drift):
        return f"{stands} {already} {moves}"
    if drift.expected_outside_on and has_passed(drift.expected_outside_on, now):
        return f"{stands} {moves} {passed_in_words(drift.expected_outside_on)}"
    days = (drift.expected_outside_on, drift.earliest_outside_on, drift.latest_outside_on)
    return f"{stands} {moves} {expected_in_words(*days)}"


def _already(drift: CornerDrift) -> str:
    """What has happened already, so that nothing is to be forecast, neither here nor by the chart's broken line."""
    if drift.is_outside:
        return _("It is outside its tolerance.")
    return likely_outside_in_words() if drift.is_likely_outside else ""


def _points(measured: Iterable[Measured], corner: Corner) -> list[DriftPoint]:
    """Rounds of jobs, and of the checks between them those that say something of drift."""
    found = []
    for each in measured:
        height = each.heights.get(corner)
        if height is None or (each.check is not None and not each.check.is_fitted):
            continue
        if height.target_mm is not None and height.expanded_uncertainty_mm is not None:
            off = height.height_mm - height.target_mm
            found.append(DriftPoint(day_of(each.at), off, height.expanded_uncertainty_mm, height.verdict))
    return found


def _svg(
    drift: CornerDrift, points: Sequence[DriftPoint], state: SeriesState, words: str, unit: LengthUnit, zone: tzinfo
) -> SafeString | None:
    if not points:
        return None
    name = str(CORNER_NAMES[drift.corner])
    expected = () if _already(drift) else _forecast(state, drift.corner)
    chart = DriftChart(name, tuple(points), expected, drift.tolerance_mm, unit, zone)
    svg = to_svg(
        draw_drift_chart(chart),
        title=_("%(corner)s: drift between services") % {"corner": name},
        description=words,
        id_prefix=f"drift-{drift.corner.lower()}",
    )
    return mark_safe(svg)  # noqa: S308  (drawn here, of figures and our own words)


def _forecast(state: SeriesState, corner: Corner) -> tuple[ForecastPoint, ...]:
    """From the last measurement over two check intervals, a year where none is specified."""
    place = CORNERS.index(corner)
    states = state.states.take(slice(place, place + 1))
    if state.basis is None or not states.visits[0]:
        return ()
    interval = state.basis.interval_days
    reach = FORECAST_INTERVALS * interval if math.isfinite(interval) else DAYS_PER_YEAR
    found = []
    for later in np.linspace(0.0, reach, FORECAST_STEPS):
        level, sd = forecast(states, states.day + later)
        found.append(ForecastPoint(float(states.day[0] + later), float(level[0]), NORMAL_COVERAGE * float(sd[0])))
    return tuple(found)
