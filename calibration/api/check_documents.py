"""From height checks to what the serializers show."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.urls import reverse

from calibration.models import HeightCheckPhoto, HeightCheckReading, HeightCheckStrike
from calibration.rules import texts
from calibration.rules.check_due import next_check
from calibration.rules.finding_kinds import HEIGHT_NOT_CONFIRMED, JUDGED_LATER, NOT_JUDGED_YET, SEVERITIES
from calibration.selectors.check_days import day_measured
from calibration.selectors.height_checks import MeasuredHeightCheck
from fleet.actor import Actor

from .documents import Shown, columns, vehicle_document


def height_check_document(actor: Actor, measured: MeasuredHeightCheck) -> Shown:
    """A check with its readings and the result that follows from those that count."""
    check, result = measured.check, measured.result
    odometer = None if check.odometer_km is None else float(check.odometer_km)
    revision, later = measured.revision, measured.later
    due = next_check(revision.content if revision else None, day_measured(check), odometer)
    return {
        **columns(check),
        "specification_id": revision.pk if revision else None,
        "specification_known_at": later.known_at if later else None,
        "vehicle": vehicle_document(actor, check.vehicle),
        "counts_for_drift": measured.is_fitted,
        **result,
        "sides": result["sides"] or None,
        "next_check": {"due_on": due.on, "due_at_km": due.at_km},
        "readings": [_reading(each, measured.strikes.get(each.pk)) for each in measured.readings],
        "findings": findings_of(measured),
    }


def findings_of(measured: MeasuredHeightCheck) -> list[Shown]:
    """What was found when it was recorded, and what holds now of readings and verdict; in the reader's words."""
    stored: Iterable[dict[str, Any]] = measured.check.findings
    of_readings = [
        {"code": each.code, "severity": each.severity, "corner": each.corner, "values": each.values}
        for each in measured.disagreements
    ]
    return [_finding(each) for each in (*stored, *of_readings, *_of_verdict(measured))]


def _of_verdict(measured: MeasuredHeightCheck) -> Iterable[Shown]:
    """Why there is none, or why it came later than the check."""
    day_on = day_measured(measured.check).isoformat()
    if measured.is_waiting:
        yield _now(NOT_JUDGED_YET, {"day_on": day_on})
    later, target = measured.later, measured.specification
    if later is None or target is None:
        return
    revision = {"revision": later.revision.revision, "effective_on": later.revision.effective_from.isoformat()}
    yield _now(JUDGED_LATER, {"day_on": day_on, **revision, "known_at": later.known_at.isoformat()})
    for row in measured.unconfirmed:
        corner: Any = row.corner
        heights = {"height_mm": float(row.height_mm), "target_mm": target.target_mm(corner)}
        yield _now(HEIGHT_NOT_CONFIRMED, heights, corner)


def _now(code: str, values: Shown, corner: str | None = None) -> Shown:
    return {"code": code, "severity": SEVERITIES[code], "corner": corner, "values": values}


def _finding(finding: dict[str, Any]) -> Shown:
    corner = finding.get("corner")
    detail = texts.finding_detail(finding["code"], corner, finding["values"])
    about = {"code": finding["code"], "severity": finding["severity"], "detail": detail}
    return {**about, "corner": corner} if corner else about


def _reading(row: HeightCheckReading, strike: HeightCheckStrike | None) -> Shown:
    return {
        **columns(row),
        "struck": strike is not None,
        "replaced_by": strike.replacement_id if strike else None,
        "strike": strike,
    }


def check_photo_document(row: HeightCheckPhoto) -> Shown:
    return {**columns(row), "file": reverse("check-photo-file", args=[row.pk])}
