"""Instruments with their present calibration, and where they were used."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any
from uuid import UUID

from django.db.models import Prefetch, QuerySet

from fleet.actor import Actor
from fleet.models import Instrument, InstrumentCalibration, InstrumentWithdrawal

UseFinder = Callable[[Actor, UUID, date | None], list[dict[str, Any]]]
"""(actor, instrument, first day) → the jobs measured with it from that day on, or ever, as JSON."""

_use_finders: list[UseFinder] = []


def register_use_finder(function: UseFinder) -> None:
    """Say who knows in which jobs an instrument was used."""
    _use_finders[:] = [function]


def instruments() -> QuerySet[Instrument]:
    """All instruments, with calibrations and withdrawals at hand, latest first."""
    return Instrument.objects.prefetch_related(
        Prefetch("calibrations", InstrumentCalibration.objects.order_by("-calibrated_on", "-recorded_at", "-id")),
        Prefetch("withdrawals", InstrumentWithdrawal.objects.order_by("-recorded_at", "-id")),
    )


def calibration_at(instrument_id: UUID, at: date) -> InstrumentCalibration | None:
    """The calibration that counts on a day: the latest done by then."""
    return (
        InstrumentCalibration.objects.filter(instrument_id=instrument_id, calibrated_on__lte=at)
        .order_by("-calibrated_on", "-recorded_at", "-id")
        .first()
    )


def jobs_in_doubt(actor: Actor, withdrawal: InstrumentWithdrawal) -> list[dict[str, Any]]:
    """The jobs measured with a withdrawn instrument since its last good calibration."""
    last_good = calibration_at(withdrawal.instrument_id, withdrawal.since)
    first_day = last_good.calibrated_on if last_good else None
    return [job for find in _use_finders for job in find(actor, withdrawal.instrument_id, first_day)]
