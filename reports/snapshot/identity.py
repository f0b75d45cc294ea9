"""Who and what: workshop, operator, vehicle, tyres, specification, instruments."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django.utils.translation import gettext as _

from calibration.metrology.corners import CORNERS, Corner
from calibration.models import Job
from fleet.looks import dates
from fleet.models import Instrument, Vehicle, VinCorrection
from fleet.selectors.instruments import calibration_at

from ..certificate import document as doc
from ..selectors.recipients import operator_of
from .heights import readings_of
from .source import Source


def workshop(source: Source) -> doc.Party:
    row = source.workshop
    return doc.Party(row.name, _lines(row.address), row.telephone, row.email)


def operator(source: Source) -> doc.Party:
    """Whose the vehicle was while the job was done."""
    row = operator_of(source.case.job)
    return doc.Party(row.name, _lines(row.address), row.telephone, row.email)


def vehicle(source: Source) -> doc.VehicleIdentity:
    job = source.case.job
    row = job.vehicle
    return doc.VehicleIdentity(
        vin=row.vin,
        registration=row.registration,
        make=row.vehicle_model.make,
        model=row.vehicle_model.name,
        model_year=row.model_year,
        odometer_km=float(job.odometer_km),
        note=" ".join((*_corrections(source, row), *_refilings(source))),
    )


def tyres(source: Source) -> dict[Corner, doc.Tyre]:
    """What was fitted when the job was closed."""
    closed_at = _closed_at(source.case.job)
    fitted = [each for each in source.case.fitments if each.recorded_at <= closed_at]
    content: Mapping[str, Any] = fitted[-1].tyres if fitted else {}
    return {corner: _tyre(content[corner]) for corner in CORNERS if corner in content}


def specification(source: Source) -> doc.SpecificationSummary | None:
    row = source.case.specification
    if row is None:
        return None
    content = row.content
    return doc.SpecificationSummary(
        revision=row.revision,
        source_kind=row.source_kind,  # type: ignore[arg-type]
        source=row.source,
        effective_from=row.effective_from,
        measuring_condition=content.get("measuring_condition", ""),
        front=_axle(content["front"]),
        rear=_axle(content["rear"]),
        side_difference_max_mm=float(content["side_difference_max_mm"]),
        settling_mm=float(content["settling_mm"]),
        setpoint_min=content.get("setpoint_min"),
        setpoint_max=content.get("setpoint_max"),
        setpoint_kind=content.get("setpoint_kind", "absolute"),
        setpoint_base=content.get("setpoint_base", "decimal"),
        controlled_corners=tuple(content.get("controlled_corners", CORNERS)),
        linked_corners=tuple((first, second) for first, second in content.get("linked_corners", ())),
    )


def instruments(source: Source) -> tuple[doc.InstrumentEntry, ...]:
    """Everything that was measured with, with the calibration that held on the last day of its use."""
    last_used: dict[uuid.UUID, datetime] = {}
    for each in source.case.rounds:
        for instrument_id in (each.instrument_id, *(r.instrument_id for r in readings_of(each))):
            last_used[instrument_id] = max(each.happened_at, last_used.get(instrument_id, each.happened_at))
    for test in source.case.leak_tests:
        last_used[test.instrument_id] = max(test.happened_at, last_used.get(test.instrument_id, test.happened_at))
    rows = Instrument.objects.filter(pk__in=last_used).order_by("serial")
    return tuple(_instrument(row, source.local(last_used[row.pk]).date()) for row in rows)


def _instrument(row: Instrument, used_on: date) -> doc.InstrumentEntry:
    calibration = calibration_at(row.pk, used_on)
    uncertainty = calibration.expanded_uncertainty_mm if calibration else None
    factor = calibration.coverage_factor if calibration else None
    return doc.InstrumentEntry(
        serial=row.serial,
        kind=row.kind,  # type: ignore[arg-type]
        resolution_mm=float(row.resolution_mm),
        calibrated_on=calibration.calibrated_on if calibration else None,
        calibration_due_on=calibration.due_on if calibration else None,
        length_mm=float(row.length_mm),
        accuracy_class=row.accuracy_class or None,  # type: ignore[arg-type]
        certificate_expanded_uncertainty_mm=None if uncertainty is None else float(uncertainty),
        certificate_coverage_factor=None if factor is None else float(factor),
        calibration_reference=calibration.certificate_number if calibration else "",
    )


def _closed_at(job: Job) -> datetime:
    if job.closed_at is None:
        raise ValueError("a document is made of a closed job only")
    return job.closed_at


def _corrections(source: Source, row: Vehicle) -> list[str]:
    text = _("VIN corrected from %(previous)s on %(day)s: %(reason)s.")
    return [
        text
        % {
            "previous": each.previous_vin,
            "day": dates.day(source.local(each.recorded_at)),
            "reason": each.reason.rstrip("."),
        }
        for each in VinCorrection.objects.filter(vehicle=row).order_by("recorded_at", "id")
    ]


def _refilings(source: Source) -> list[str]:
    text = _("Job first filed under VIN %(vin)s, refiled on %(day)s: %(reason)s.")
    return [
        text
        % {
            "vin": each.from_vehicle.vin,
            "day": dates.day(source.local(each.recorded_at)),
            "reason": each.reason.rstrip("."),
        }
        for each in source.case.refilings
    ]


def _tyre(content: Mapping[str, Any]) -> doc.Tyre:
    return doc.Tyre(
        size=str(content["size"]),
        load_index=str(content.get("load_index", "")),
        speed_symbol=str(content.get("speed_symbol", "")),
        tread_mm=_optional(content.get("tread_mm")),
        pressure_kpa=_optional(content.get("pressure_kpa")),
    )


def _axle(content: Mapping[str, Any]) -> doc.AxleTarget:
    return doc.AxleTarget(
        target_mm=float(content["target_mm"]),
        tolerance_mm=float(content["tolerance_mm"]),
        setpoint_low=content.get("setpoint_low"),
        setpoint_high=content.get("setpoint_high"),
    )


def _lines(address: str) -> tuple[str, ...]:
    return tuple(line.strip() for line in address.splitlines() if line.strip())


def _optional(value: Any) -> float | None:
    return None if value is None else float(value)
