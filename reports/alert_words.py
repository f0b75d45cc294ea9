"""Alerts of drift in plain sentences, for pages, the interface and the history."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from typing import TYPE_CHECKING, Any, Final

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.rules.drift_course import time_of_day
from fleet.days import local_day
from fleet.looks.dates import day
from fleet.looks.lengths import UNIT_SIGNS, LengthUnit, length
from fleet.looks.tolerance_bar import CORNER_NAMES

if TYPE_CHECKING:
    from .models import DriftAlert

PLACES: Final = {
    **CORNER_NAMES,
    "front": gettext_lazy("Front axle"),
    "rear": gettext_lazy("Rear axle"),
    "": gettext_lazy("Vehicle"),
}


LEAST_DAYS_AHEAD: Final = 1.0
Sentence = Callable[[Mapping[str, Any], Mapping[str, Any], LengthUnit], str]


def alert_in_words(alert: DriftAlert, unit: LengthUnit = "mm") -> str:
    """What is the matter now and by how much; of an alert that `selectors.alerts` found."""
    sentence = _trend_outdated if alert.is_outdated else _trend_passed if alert.has_passed else None
    return _worded(alert.kind, alert.place, alert.details, unit, sentence)


def alert_sentence(
    kind: str, place: str, details: Mapping[str, Any], unit: LengthUnit = "mm", *, has_passed: bool = False
) -> str:
    """What is, or was, the matter and by how much; `has_passed` as of `DriftAlert`."""
    return _worded(kind, place, details, unit, _trend_passed if has_passed else None)


def _worded(kind: str, place: str, details: Mapping[str, Any], unit: LengthUnit, sentence: Sentence | None) -> str:
    where = {"place": PLACES[place], "unit": UNIT_SIGNS[unit]}
    return (sentence or _SENTENCES[kind])(where, details, unit)


def date_of(details: Mapping[str, Any], name: str) -> date | None:
    """A day among an alert's figures, where the workshop is; none where it lies too far off to be stated.

    A check is due by its interval on a day of the calendar, wherever that is (`selectors.due.day_due`).
    """
    value = details.get(name)
    if value is None:
        return None
    by_months = name == "due_day" and details.get("due_at_km") is None
    return time_of_day(value).date() if by_months else local_day(time_of_day(value))


def likely_outside_in_words() -> str:
    return _("When last measured it was more likely outside its tolerance than within.")


def expected_in_words(expected: date | None, earliest: date | None, latest: date | None) -> str:
    """When a corner is expected outside its tolerance, with the interval that holds 80 %."""
    if expected is None:
        return _("Not expected outside its tolerance within twenty years.")
    values = {"expected": day(expected), "earliest": day(earliest or expected), "latest": day(latest) if latest else ""}
    if latest is None:
        return _("Expected outside its tolerance on %(expected)s; hardly before %(earliest)s.") % values
    return (
        _("Expected outside its tolerance on %(expected)s; in 8 of 10 cases between %(earliest)s and %(latest)s.")
        % values
    )


def passed_in_words(expected: date) -> str:
    """Instead of a forecast whose day has passed (`selectors.alerts.has_passed`)."""
    return _(
        "Forecast to have left its tolerance by %(expected)s, a day that passed without a measurement: measure it now."
    ) % {"expected": day(expected)}


def rate_in_words(rate_mm_per_year: float, unit: LengthUnit) -> str:
    values = {"rate": length(abs(rate_mm_per_year), unit), "unit": UNIT_SIGNS[unit]}
    if rate_mm_per_year < 0:
        return _("sinks by %(rate)s %(unit)s a year") % values
    return _("rises by %(rate)s %(unit)s a year") % values


def _out_of_tolerance(where: Mapping[str, Any], details: Mapping[str, Any], unit: LengthUnit) -> str:
    off = details["level_mm"] if details["last_mm"] is None else details["last_mm"]
    values = {**where, "off": length(abs(off), unit), "tolerance": length(details["tolerance_mm"], unit)}
    if off < 0:
        return _("%(place)s: %(off)s %(unit)s too low, the tolerance is %(tolerance)s %(unit)s.") % values
    return _("%(place)s: %(off)s %(unit)s too high, the tolerance is %(tolerance)s %(unit)s.") % values


def _trend(where: Mapping[str, Any], details: Mapping[str, Any], unit: LengthUnit) -> str:
    days = (date_of(details, f"{name}_outside_day") for name in ("expected", "earliest", "latest"))
    return _moving(where, details, unit, expected_in_words(*days))


def _trend_passed(where: Mapping[str, Any], details: Mapping[str, Any], unit: LengthUnit) -> str:
    expected = date_of(details, "expected_outside_day")
    assert expected is not None  # it has passed
    return _moving(where, details, unit, passed_in_words(expected))


def _trend_outdated(where: Mapping[str, Any], details: Mapping[str, Any], unit: LengthUnit) -> str:
    stands = _("The last measurement does not bear that out; the alert stands until the matter has been put right.")
    return _moved(where, details, unit, stands)


def _moving(where: Mapping[str, Any], details: Mapping[str, Any], unit: LengthUnit, forecast: str) -> str:
    return _moved(where, details, unit, likely_outside_in_words() if _is_likely_outside(details) else forecast)


def _moved(where: Mapping[str, Any], details: Mapping[str, Any], unit: LengthUnit, expected: str) -> str:
    values = {**where, "rate": rate_in_words(details["rate_mm_per_year"], unit), "expected": expected}
    return _("%(place)s %(rate)s. %(expected)s") % values


def _is_likely_outside(details: Mapping[str, Any]) -> bool:
    """Whether the day by which it is expected outside is that of the measurement: no forecast is needed then."""
    expected, measured = details.get("expected_outside_day"), details.get("measured_day")
    return expected is not None and measured is not None and expected - measured < LEAST_DAYS_AHEAD


def _step(where: Mapping[str, Any], details: Mapping[str, Any], unit: LengthUnit) -> str:
    step, seen = details["step_mm"], date_of(details, "step_day")
    values = {**where, "step": length(abs(step), unit), "day": day(seen) if seen else ""}
    if step < 0:
        return _("%(place)s: dropped by %(step)s %(unit)s at once, seen on %(day)s.") % values
    return _("%(place)s: rose by %(step)s %(unit)s at once, seen on %(day)s.") % values


def _uneven(where: Mapping[str, Any], details: Mapping[str, Any], unit: LengthUnit) -> str:
    off = details["difference_mm"]
    values = {**where, "off": length(abs(off), unit), "limit": length(details["limit_mm"], unit)}
    if off < 0:
        return _("%(place)s: left %(off)s %(unit)s lower than right, the limit is %(limit)s %(unit)s.") % values
    return _("%(place)s: left %(off)s %(unit)s higher than right, the limit is %(limit)s %(unit)s.") % values


def _overdue(_where: Mapping[str, Any], details: Mapping[str, Any], _unit: LengthUnit) -> str:
    due, measured = date_of(details, "due_day"), date_of(details, "measured_day")
    values = {"due": day(due) if due else "", "measured": day(measured) if measured else ""}
    if details.get("due_at_km") is not None:
        return _(
            "The height check was due at %(km)s km, reached about %(due)s by an estimate from the last two odometer "
            "readings; last measured on %(measured)s."
        ) % {**values, "km": number_format(round(details["due_at_km"]), force_grouping=True)}
    return _("The height check was due on %(due)s; last measured on %(measured)s.") % values


def _unsteady(where: Mapping[str, Any], _details: Mapping[str, Any], _unit: LengthUnit) -> str:
    return (
        _(
            "%(place)s: the heights differ from visit to visit by more than their uncertainty explains. Look for a "
            "loose part, and at how it is measured."
        )
        % where
    )


_SENTENCES: Final = {
    "out_of_tolerance": _out_of_tolerance,
    "trend": _trend,
    "step": _step,
    "uneven": _uneven,
    "overdue": _overdue,
    "unsteady": _unsteady,
}
