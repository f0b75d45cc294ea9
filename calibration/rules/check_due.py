"""When a vehicle's heights are to be checked again."""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True, slots=True)
class CheckDue:
    """The day and the odometer by which the next check is due, whichever comes first; None where nothing says."""

    on: date | None
    at_km: float | None


def next_check(specification: Mapping[str, Any] | None, measured_on: date, odometer_km: float | None) -> CheckDue:
    """From the day and the odometer of the last measurement, by a specification's check interval.

    >>> next_check({"check_interval_months": 6, "check_interval_km": 20000}, date(2026, 8, 31), 48210.5)
    CheckDue(on=datetime.date(2027, 2, 28), at_km=68210.5)
    >>> next_check({"check_interval_months": None}, date(2026, 8, 31), None)
    CheckDue(on=None, at_km=None)
    """
    content = specification or {}
    months, distance = content.get("check_interval_months"), content.get("check_interval_km")
    return CheckDue(
        on=None if months is None else months_after(measured_on, int(months)),
        at_km=None if distance is None or odometer_km is None else odometer_km + float(distance),
    )


def months_after(day: date, months: int) -> date:
    """The same day of a later month, or that month's last one.

    >>> months_after(date(2027, 8, 31), 6), months_after(date(2026, 12, 1), 12)
    (datetime.date(2028, 2, 29), datetime.date(2027, 12, 1))
    """
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    return date(year, month + 1, min(day.day, monthrange(year, month + 1)[1]))
