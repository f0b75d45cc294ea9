"""Findings in words for the customer: what was seen, with names, units and times; no orders, no codes."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any, Final

from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from calibration.metrology.corners import CORNERS
from calibration.rules.limit_texts import LIMITS
from calibration.rules.notation import counted
from fleet.looks import dates
from reports.drawing import quantities
from reports.drawing.words import corner_name

from ..certificate.display import DASH
from ..certificate.texts import READINESS_ITEMS
from .source import Source, as_corner

STATEMENTS: Final[Mapping[str, Any]] = {
    "pair_disagrees": gettext_lazy("The readings differed by %(range_mm)s; repeated readings may by %(limit_mm)s."),
    "rounds_disagree": gettext_lazy(
        "A round gave %(value_mm)s, those before it %(before_mm)s, with the same set-points; up to %(limit_mm)s may be "
        "settling and reading."
    ),
    "large_warp": gettext_lazy(
        "The heights were twisted across the diagonal by %(warp_mm)s ± %(expanded_uncertainty_mm)s; from %(limit_mm)s "
        "on, floor, tyres and links are looked at."
    ),
    "floor_not_level": gettext_lazy(
        "The floor of this bay is not level: by itself it would show a twist of %(floor_warp_mm)s."
    ),
    "leave_alone": gettext_lazy("Everything was within tolerance, so nothing was changed."),
    "not_adjustable_here": gettext_lazy("No set-point could bring this within tolerance."),
    "odometer_lower": gettext_lazy(
        "The odometer stood at %(odometer_km)s, below the %(before_km)s recorded at an earlier visit."
    ),
    "time_assumed": gettext_lazy("Only the day %(day_on)s was noted; the time of day was assumed."),
    "not_judged_yet": gettext_lazy("On the day of the measurement, %(day_on)s, no specification was in force."),
    "judged_later": gettext_lazy("Judged by specification revision %(revision)s, known since %(known_at)s."),
    "height_not_confirmed": gettext_lazy(
        "%(height_mm)s is far from the target of %(target_mm)s, and nobody confirmed it."
    ),
    "measured_before_readiness": gettext_lazy(
        "A round was measured while this was not checked or had failed: %(items)s."
    ),
    "tyres_not_recorded": gettext_lazy("The job was opened for a change of tyres, but no other tyres were recorded."),
    "noted_out_of_order": gettext_lazy(
        "Noted for %(happened_at)s, but by its set-points it did not come before what was recorded for %(later_at)s; "
        "it counts from %(recorded_at)s, when it was received."
    ),
    "setpoints_changed_elsewhere": gettext_lazy("The set-point read was %(read)s, where %(expected)s was expected."),
    "clock_wrong": gettext_lazy(
        "Recorded for %(happened_at)s, which cannot be right: the job was opened at %(opened_at)s, and the record "
        "was received at %(recorded_at)s."
    ),
    "instrument_overdue": gettext_lazy(
        "Instrument %(serial)s was used after its calibration was due (%(calibration_due_on)s)."
    ),
    "instrument_withdrawn": gettext_lazy("Instrument %(serial)s was used although it had been withdrawn."),
    "setpoint_out_of_range": gettext_lazy("The set-point read was %(read)s, outside %(low)s to %(high)s."),
    "linked_setpoints_differ": gettext_lazy(
        "The set-points read were %(read)s and %(other)s, although these corners share one."
    ),
    "setpoints_incomplete": gettext_lazy(
        "The set-points read were not those of the controlled corners: %(corners)s missing, or not controlled."
    ),
    "write_without_proposal": gettext_lazy("Set-points were written without a proposal."),
    "write_of_refused_proposal": gettext_lazy("Set-points were written although their proposal had been refused."),
    "write_of_unapproved_proposal": gettext_lazy(
        "Set-points were written although their proposal had not been approved."
    ),
    "write_of_superseded_proposal": gettext_lazy("Set-points were written from a proposal that no longer stood."),
    "write_not_verified": gettext_lazy("%(wanted)s was to be stored, and %(read)s was read back."),
    "writes_conflict": gettext_lazy("Two records of writing the same proposal disagreed about what was read back."),
    "repeats_earlier_record": gettext_lazy(
        "The record of %(happened_at)s was received once more; it is kept and not counted a second time."
    ),
    "recorded_after_close": gettext_lazy("Received after the job had been closed."),
    "no_specification": gettext_lazy(
        "No specification was in force for the vehicle model, so that nothing could be judged or proposed."
    ),
    "leak_outside": gettext_lazy("It sinks faster than the specification allows."),
    "leak_undecided": gettext_lazy("A leak test did not decide whether it sinks faster than the specification allows."),
    "leak_test_disturbed": gettext_lazy(
        "Something was written or measured during a leak test, which therefore shows no tightness."
    ),
    "leak_corner_rose": gettext_lazy("It rose during a leak test, which therefore shows nothing."),
    "limits_exhausted": gettext_lazy("The change that would be needed lies beyond a limit of adjustment."),
    "tyre_not_listed": gettext_lazy("Tyre size %(size)s is not among those that the specification lists: %(listed)s."),
    "load_capacity_low": gettext_lazy(
        "The tyre may carry %(capacity_kg)s; half of the permitted axle load is %(half_load_kg)s."
    ),
    "corner_not_responding": gettext_lazy(
        "After a write a move of %(expected_move_mm)s was expected, and %(observed_move_mm)s was measured."
    ),
    "corner_reversed": gettext_lazy(
        "After a write a move of %(expected_move_mm)s was expected, and %(observed_move_mm)s, the wrong way, measured."
    ),
    "corner_weak": gettext_lazy(
        "After a write a move of %(expected_move_mm)s was expected, and only %(observed_move_mm)s was measured."
    ),
}
"""What was seen, for each code of a finding."""

REMEDIES: Final[Mapping[str, Any]] = {
    "corner_not_responding": gettext_lazy("%(place)s does not respond: have sensor, linkage and air supply checked."),
    "corner_reversed": gettext_lazy("%(place)s moves the wrong way: have the fitting of its sensor checked."),
    "corner_weak": gettext_lazy("%(place)s responds weakly: have linkage, damper and air supply checked."),
    "leak_outside": gettext_lazy("%(place)s sinks faster than it may: have the leak repaired."),
    "limits_exhausted": gettext_lazy(
        "%(place)s would need a change beyond a limit of adjustment: have springs, mountings and sensor checked."
    ),
    "no_specification": gettext_lazy(
        "No specification was in force for the vehicle model: one is needed before heights can be judged."
    ),
    "load_capacity_low": gettext_lazy(
        "%(place)s: the tyre may carry less than half of the permitted axle load. Have suitable tyres fitted."
    ),
    "tyre_not_listed": gettext_lazy(
        "%(place)s: the tyre size is not one that the specification lists. Have the tyres checked."
    ),
}
"""What has to be mended, for findings about the vehicle; the others are about the record."""

SIDES: Final[Mapping[str, Any]] = {
    "front": gettext_lazy("Front side difference"),
    "rear": gettext_lazy("Rear side difference"),
}
_COUNTS = frozenset({"read", "expected", "wanted", "other", "low", "high"})


class _Shown(dict[str, str]):
    """Values for a text; one that is missing shows as a dash instead of failing."""

    def __missing__(self, key: str) -> str:
        return DASH


def statement(source: Source, code: str, values: Mapping[str, Any]) -> str:
    """What was seen."""
    shown = _shown(source, {name: value for name, value in values.items() if name != "beyond"})
    text = str(STATEMENTS[code]) % shown if code in STATEMENTS else ""
    if code == "setpoint_out_of_range" and "expected" in values:
        text += " " + _("Expected was %(expected)s.") % shown
    if values.get("beyond"):
        text += " " + _("They go further than any proposal may: %(limits)s.") % {"limits": _beyond(source, values)}
    return f"{place(None, values)}: {text}" if "axle" in values else text


def _beyond(source: Source, values: Mapping[str, Any]) -> str:
    """The limits that a write without a proposal went beyond."""
    return "; ".join(
        f"{corner_name(each['corner'])}: {_limit(source, each['code'], each['value'], each['limit'])}"
        for each in values["beyond"]
    )


def _limit(source: Source, code: str, value: int, limit: int) -> str:
    values = {"value": _of_limit(source, code, value), "limit": _of_limit(source, code, limit)}
    return str(LIMITS[code] % {**values, **counted(value)})


def _of_limit(source: Source, code: str, value: int) -> str:
    """A set-point as the vehicle's are shown; a difference of set-points as a plain number."""
    is_set_point = code in ("setpoint_range", "band")
    return quantities.counts(value, "hexadecimal" if source.hexadecimal and is_set_point else "decimal")


def remedy(code: str, corner: str, values: Mapping[str, Any]) -> str | None:
    """What has to be mended; None where the finding asks for nothing to be mended on the vehicle."""
    text = REMEDIES.get(code)
    return None if text is None else str(text) % {"place": place(corner, values)}


def place(corner: str | None, values: Mapping[str, Any]) -> str:
    """The corner or side difference that a finding is about; else the vehicle."""
    known, axle = as_corner(corner or ""), values.get("axle")
    if known is not None:
        return corner_name(known)
    if axle == "front" or axle == "rear":
        return str(SIDES[axle])
    return _("The vehicle")


def _shown(source: Source, values: Mapping[str, Any]) -> _Shown:
    return _Shown({name: _value(source, name, value) for name, value in values.items() if value is not None})


def _value(source: Source, name: str, value: Any) -> str:
    """One value as the reader reads it, by what its name says of its unit."""
    if name in _COUNTS:
        return quantities.counts(int(value), "hexadecimal" if source.hexadecimal else "decimal")
    if name.endswith("_mm"):
        unit = source.units.length
        return f"{quantities.length(float(value), unit)} {quantities.length_unit(unit)}"
    if name.endswith("_km"):
        return quantities.distance(float(value), source.units.distance)
    if name.endswith("_kg"):
        return f"{quantities.rounded(float(value), 0)} kg"
    if name.endswith("_at"):
        return source.stamp(datetime.fromisoformat(value))
    if name.endswith("_on"):
        return dates.day(date.fromisoformat(value))
    return ", ".join(map(_listed, value)) if isinstance(value, list | tuple) else str(value)


def _listed(each: Any) -> str:
    return corner_name(each) if each in CORNERS else str(READINESS_ITEMS.get(each, each))
