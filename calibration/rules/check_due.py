"""When a vehicle's heights are to be checked again."""

from __future__ import annotations

import math
from calendar import monthrange
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

LEAST_DAYS = 7.0
"""Between two odometer readings that tell how far a vehicle goes in a day."""


@dataclass(frozen=True, slots=True)
class CheckInterval:
    """Months and kilometres between height checks; None where a specification leaves it open."""

    months: float | None = None
    km: float | None = None

    @classmethod
    def of(cls, specification: Mapping[str, Any]) -> CheckInterval:
        months, km = specification.get("check_interval_months"), specification.get("check_interval_km")
        return cls(None if months is None else float(months), None if km is None else float(km))


@dataclass(frozen=True, slots=True)
class OdometerReading:
    """On which day, of any one epoch, a vehicle had gone how far."""

    day: float
    km: float


@dataclass(frozen=True, slots=True)
class DueByDistance:
    """The odometer at which the next check is due, about when it stands there, and in how many days it goes so far.

    inf where nothing says.
    """

    at_km: float = math.inf
    day: float = math.inf
    interval_days: float = math.inf


NOT_BY_DISTANCE = DueByDistance()


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


def due_by_distance(readings: Sequence[OdometerReading], measured_day: float, interval_km: float) -> DueByDistance:
    """When a check is due by the distance gone since a measurement: an estimate, from odometer readings on record.

    Between readings the vehicle goes evenly; beyond the last one as between the last two that lie a week apart. Of
    readings that fall, as with another odometer, only those since the fall count. Nothing is said from one reading.

    >>> readings = [OdometerReading(0.0, 10_000.0), OdometerReading(100.0, 20_000.0)]
    >>> due_by_distance(readings, 50.0, 20_000.0)
    DueByDistance(at_km=35000.0, day=250.0, interval_days=200.0)
    """
    going = _going_on(readings)
    rate = _km_a_day(going)
    if math.isinf(interval_km) or rate is None:
        return NOT_BY_DISTANCE
    last = going[-1]
    at_km = interval_km + (
        last.km + rate * (measured_day - last.day)
        if measured_day > last.day
        else _between([each.day for each in going], [each.km for each in going], measured_day)
    )
    day = (
        last.day + (at_km - last.km) / rate
        if at_km > last.km
        else _between([each.km for each in going], [each.day for each in going], at_km)
    )
    return DueByDistance(at_km, day, interval_km / rate)


def _going_on(readings: Sequence[OdometerReading]) -> list[OdometerReading]:
    found: list[OdometerReading] = []
    for each in sorted(readings, key=lambda each: each.day):
        if found and each.km < found[-1].km:
            found.clear()
        found.append(each)
    return found


def _km_a_day(readings: Sequence[OdometerReading]) -> float | None:
    """None where no two readings tell, or the vehicle stood still."""
    if not readings:
        return None
    last = readings[-1]
    before = next((each for each in reversed(readings) if last.day - each.day >= LEAST_DAYS), None)
    if before is None or before.km >= last.km:
        return None
    return (last.km - before.km) / (last.day - before.day)


def _between(known: Sequence[float], values: Sequence[float], wanted: float) -> float:
    """On the straight line between the two known numbers about the one wanted; the first value before the first."""
    above = next((place for place, each in enumerate(known) if each >= wanted), len(known) - 1)
    if above == 0 or known[above] == known[above - 1]:
        return values[above]
    share = (wanted - known[above - 1]) / (known[above] - known[above - 1])
    return values[above - 1] + share * (values[above] - values[above - 1])
