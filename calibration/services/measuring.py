"""What rounds, height checks and leak tests take down the same way: instruments as they were, heights that can be."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.utils.translation import gettext as _

from fleet.errors import FieldError, Invalid
from fleet.models import Instrument, InstrumentCalibration

from ..metrology.corners import CORNERS
from ..metrology.readings import height_problem, likely_unit
from ..rules import texts
from ..rules.findings import InstrumentStatus


def frozen_instrument(instrument: Instrument, calibration: InstrumentCalibration | None) -> dict[str, Any]:
    """What the uncertainty of an instrument rests on, as it was on the day."""
    certificate = None
    if calibration is not None and calibration.expanded_uncertainty_mm is not None:
        certificate = {
            "expanded_uncertainty_mm": float(calibration.expanded_uncertainty_mm),
            "coverage_factor": float(calibration.coverage_factor or 2),
        }
    return {
        "identity": str(instrument.pk),
        "serial": instrument.serial,
        "resolution_mm": float(instrument.resolution_mm),
        "accuracy_class": instrument.accuracy_class,
        "certificate": certificate,
        "hook_end": instrument.hook_end,
    }


def instrument_status(instrument: Instrument, calibration: InstrumentCalibration | None) -> InstrumentStatus:
    """On the day: the calibration that counted, and a withdrawal that no such calibration has ended."""
    withdrawals = [
        each
        for each in instrument.withdrawals.all()
        if calibration is None
        or not (each.recorded_at < calibration.recorded_at and each.since <= calibration.calibrated_on)
    ]
    since = min((each.since for each in withdrawals), default=None)
    return InstrumentStatus(instrument.serial, calibration.due_on if calibration else None, since)


def require_counts(counts: Mapping[str, int], allowed: range, needed: str) -> None:
    """Every corner, and so many readings at each; `needed` is the sentence for a corner that has another number."""
    unknown = sorted(set(counts) - set(CORNERS))
    if unknown:
        raise Invalid.at("/readings", "unknown_corner", _("Name the corners FL, FR, RL and RR, not %s.") % unknown[0])
    errors = [
        FieldError("/readings", "readings_per_corner", needed % {"corner": corner, "count": counts.get(corner, 0)})
        for corner in CORNERS
        if counts.get(corner, 0) not in allowed
    ]
    if errors:
        raise Invalid(errors)


def height_error(
    height: float, target: float | None, length: float, pointer: str, *, confirmed: bool
) -> FieldError | None:
    """A height that cannot be, or that needs a second look; `target` is None where nothing says what it should be."""
    expected = height if target is None else target
    match height_problem(height, expected, length):
        case "not_positive":
            return FieldError(pointer, "not_positive", _("A height is above 0 mm."))
        case "beyond_instrument":
            return FieldError(
                pointer,
                "beyond_instrument",
                _("%(height)s mm is longer than the instrument (%(length)s mm). Read again, in millimetres.")
                % {"height": f"{height:g}", "length": f"{length:g}"},
            )
        case "confirm_height" if not confirmed:
            how = _("Read again, or send it with 'confirmed': true if it is right.")
            return FieldError(pointer, "confirm_height", _far_from_target(height, expected), how)
        case _:
            return None


def _far_from_target(height: float, target: float) -> str:
    text = _("%(height)s mm is more than 150 mm from the target of %(target)s mm.") % {
        "height": f"{height:g}",
        "target": f"{target:g}",
    }
    unit = likely_unit(height, target)
    return f"{text} {texts.UNIT_SLIPS[unit]}" if unit else text
