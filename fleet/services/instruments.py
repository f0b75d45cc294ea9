"""Instruments: what heights are measured with, their calibrations and withdrawals."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import TypedDict
from uuid import UUID

from django.utils.translation import gettext_lazy as _

from fleet import ledger
from fleet.actor import Actor
from fleet.days import require_not_to_come
from fleet.errors import Conflict, Invalid
from fleet.ids import new_id
from fleet.models import Instrument, InstrumentCalibration, InstrumentWithdrawal
from fleet.permissions import Permission, require


class Certificate(TypedDict):
    """What a calibration certificate states."""

    expanded_uncertainty_mm: Decimal
    coverage_factor: Decimal


def instrument_add(
    *,
    actor: Actor,
    record_id: UUID,
    serial: str,
    kind: str,
    resolution_mm: Decimal,
    length_mm: Decimal,
    calibrated_on: date,
    calibration_due_on: date,
    accuracy_class: str = "",
    certificate: Certificate | None = None,
    certificate_number: str = "",
    hook_end: bool = False,
) -> Instrument:
    """Record an instrument with its present calibration. Its accuracy is a class or a certificate's."""
    require(actor, Permission.SET_UP)
    if bool(accuracy_class) == bool(certificate):
        detail = _("State either the accuracy class or a certificate: exactly one of them.")
        raise Invalid.at("/accuracy_class", "class_or_certificate", detail)
    if resolution_mm > length_mm:
        raise Invalid.at("/resolution_mm", "resolution_too_large", _("Must not exceed the instrument's length."))
    if Instrument.objects.filter(serial=serial).exists():
        raise Conflict(
            _("An instrument with this serial number is already recorded. Record its calibration instead."),
            code="serial_taken",
            pointer="/serial",
        )
    instrument = Instrument.objects.create(
        id=record_id,
        serial=serial,
        kind=kind,
        accuracy_class=accuracy_class,
        resolution_mm=resolution_mm,
        length_mm=length_mm,
        hook_end=hook_end,
        created_at=actor.now,
    )
    calibration = _calibration(
        actor, new_id(), instrument, calibrated_on, calibration_due_on, certificate, certificate_number
    )
    ledger.append(actor, "instrument_added", instrument, rows=[calibration])
    return instrument


def instrument_calibrate(
    *,
    actor: Actor,
    record_id: UUID,
    instrument: Instrument,
    calibrated_on: date,
    calibration_due_on: date,
    certificate: Certificate | None = None,
    certificate_number: str = "",
) -> InstrumentCalibration:
    """Record a calibration; it also returns a withdrawn instrument to use."""
    require(actor, Permission.SET_UP)
    if not instrument.accuracy_class and certificate is None:
        detail = _("This instrument has no accuracy class: state the certificate's uncertainty.")
        raise Invalid.at("/certificate", "certificate_required", detail)
    calibration = _calibration(
        actor, record_id, instrument, calibrated_on, calibration_due_on, certificate, certificate_number
    )
    ledger.append(actor, "instrument_calibrated", calibration)
    return calibration


def _calibration(
    actor: Actor,
    record_id: UUID,
    instrument: Instrument,
    calibrated_on: date,
    due_on: date,
    certificate: Certificate | None,
    certificate_number: str,
) -> InstrumentCalibration:
    if due_on <= calibrated_on:
        detail = _("Must be after the day of the calibration.")
        raise Invalid.at("/calibration_due_on", "due_before_calibrated", detail)
    refusal = _("A calibration cannot lie in the future.")
    require_not_to_come(calibrated_on, actor.now, "/calibrated_on", "in_future", refusal)
    return InstrumentCalibration.objects.create(
        id=record_id,
        instrument=instrument,
        calibrated_on=calibrated_on,
        due_on=due_on,
        certificate_number=certificate_number,
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
        expanded_uncertainty_mm=certificate["expanded_uncertainty_mm"] if certificate else None,
        coverage_factor=certificate["coverage_factor"] if certificate else None,
    )


def instrument_withdraw(
    *, actor: Actor, record_id: UUID, instrument: Instrument, kind: str, since: date, reason: str
) -> InstrumentWithdrawal:
    """Take an instrument out of use: lost, damaged, or found out of calibration since a date."""
    require(actor, Permission.SET_UP)
    refusal = _("An instrument cannot be withdrawn from a future date.")
    require_not_to_come(since, actor.now, "/since", "in_future", refusal)
    withdrawal = InstrumentWithdrawal.objects.create(
        id=record_id,
        instrument=instrument,
        kind=kind,
        since=since,
        reason=reason,
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
    )
    ledger.append(actor, "instrument_withdrawn", withdrawal)
    return withdrawal
