"""From height checks to what the serializers show."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.urls import reverse

from calibration.models import HeightCheckPhoto, HeightCheckReading, HeightCheckStrike
from calibration.rules import texts
from calibration.rules.check_due import next_check
from calibration.selectors.height_checks import MeasuredHeightCheck
from calibration.services.check_making import day_measured
from fleet.actor import Actor

from .documents import Shown, columns, vehicle_document


def height_check_document(actor: Actor, measured: MeasuredHeightCheck) -> Shown:
    """A check with its readings and the result that follows from those that count."""
    check, result = measured.check, measured.result
    odometer = None if check.odometer_km is None else float(check.odometer_km)
    content = check.specification.content if check.specification else None
    due = next_check(content, day_measured(check), odometer)
    return {
        **columns(check),
        "vehicle": vehicle_document(actor, check.vehicle),
        "counts_for_drift": measured.is_fitted,
        **result,
        "sides": result["sides"] or None,
        "next_check": {"due_on": due.on, "due_at_km": due.at_km},
        "readings": [_reading(each, measured.strikes.get(each.pk)) for each in measured.readings],
        "findings": findings_of(measured),
    }


def findings_of(measured: MeasuredHeightCheck) -> list[Shown]:
    """What was found when it was recorded, and of its readings what holds now; in the reader's words."""
    stored: Iterable[dict[str, Any]] = measured.check.findings
    of_readings = [
        {"code": each.code, "severity": each.severity, "corner": each.corner, "values": each.values}
        for each in measured.disagreements
    ]
    return [_finding(each) for each in (*stored, *of_readings)]


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
