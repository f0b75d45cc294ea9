"""A leak test's result as plain values under its public names: the one place where its numbers are rounded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from .assessment_document import budget_as_list, rounded
from .corners import CORNERS

if TYPE_CHECKING:
    from .leak import CornerLeak, LeakTest

RATE_DIGITS = 3
HOURS_DIGITS = 2
LENGTH_DIGITS = 2


def leak_as_dict(test: LeakTest, *, limit_mm_per_h: float | None, air_column_mm: float | None) -> dict[str, Any]:
    """JSON-ready values of a leak test, rounded once: rates to 0.001 mm/h, lengths to 0.01 mm, hours to 0.01.

    `limit_mm_per_h` and `air_column_mm` are what it was judged with; None where the specification names none.
    """
    return {
        "hours": rounded(test.hours, HOURS_DIGITS),
        "verdict": test.verdict,
        "hours_to_decide": _hours(test.hours_to_decide),
        "temperature_corrected": test.temperature_corrected,
        "limit_mm_per_h": limit_mm_per_h,
        "air_column_mm": air_column_mm,
        "corners": {corner: _corner(each, test) for corner, each in zip(CORNERS, test.corners, strict=True)},
    }


def _corner(found: CornerLeak, test: LeakTest) -> dict[str, Any]:
    return {
        "change_mm": rounded(found.change_mm, LENGTH_DIGITS),
        "thermal_change_mm": rounded(found.thermal_change_mm, LENGTH_DIGITS),
        "rate_mm_per_h": rounded(found.rate_mm_per_h, RATE_DIGITS),
        "expanded_uncertainty_mm_per_h": rounded(found.expanded_uncertainty_mm_per_h, RATE_DIGITS),
        "verdict": found.verdict,
        "temperature_corrected": test.temperature_corrected,
        "hours_to_decide": _hours(found.hours_to_decide),
        "rose": found.rose,
        "budget": budget_as_list(found.budget),
    }


def _hours(value: float | None) -> float | None:
    return None if value is None else rounded(value, HOURS_DIGITS)
