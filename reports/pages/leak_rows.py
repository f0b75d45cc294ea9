"""A leak test as pages show it: what each corner did, how fast it sinks, and what that says."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from calibration.metrology.corners import CORNERS
from calibration.rules.notation import figure
from fleet.looks.lengths import LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES

MM_PER_INCH = 25.4


def leak_test_rows(result: Mapping[str, Any], unit: LengthUnit, **about: Any) -> dict[str, Any]:
    """A test's result, the interface's JSON, in the reader's unit; `about` says when, by whom and in which job."""
    limit = result["limit_mm_per_h"]
    return {
        **about,
        "limit": None if limit is None else rate(limit, unit),
        "is_corrected": result["temperature_corrected"],
        "verdict": result["verdict"],
        "rows": [_row(corner, result["corners"][corner], unit) for corner in CORNERS],
    }


def rate(rate_mm_per_h: float, unit: LengthUnit) -> str:
    """A rate to a digit more than a height has."""
    return figure(f"{rate_mm_per_h:.2f}" if unit == "mm" else f"{rate_mm_per_h / MM_PER_INCH:.3f}")


def _row(corner: str, found: Mapping[str, Any], unit: LengthUnit) -> dict[str, Any]:
    hours = found["hours_to_decide"]
    return {
        "name": CORNER_NAMES[corner],
        "change": length(found["change_mm"], unit, signed=True),
        "thermal": length(found["thermal_change_mm"], unit, signed=True) if found["temperature_corrected"] else "",
        "rate": rate(found["rate_mm_per_h"], unit),
        "uncertainty": rate(found["expanded_uncertainty_mm_per_h"], unit),
        "verdict": found["verdict"],
        "rose": found["rose"],
        "hours": None if hours is None else math.ceil(hours),
    }
