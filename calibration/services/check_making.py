"""A height check made of what was measured: judged by its basis, with its findings, and not yet stored.

The rules of checks recorded one by one and of past ones that come many at a time.
"""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, Final

from django.utils.translation import gettext as _

from fleet.actor import CLOCK_TOLERANCE, Actor
from fleet.errors import Forbidden, Invalid
from fleet.ids import new_id
from fleet.models import Instrument, Membership, Vehicle
from fleet.selectors.vehicles import sees_whole_workshop

from ..metrology.provenance import PROVENANCE
from ..metrology.readings import largest_repeatability
from ..metrology.specification import Specification
from ..models import HeightCheck, HeightCheckReading
from ..rules.finding_kinds import SEVERITIES, TIME_ASSUMED, Arrival, NewFinding
from ..rules.findings import of_instruments
from ..selectors.check_days import AssumedTime, day_of
from ..selectors.height_checks import MeasuredHeightCheck, specification_of, was_theirs
from .check_basis import CheckBasis, heights_of
from .measuring import frozen_instrument, height_error, instrument_status, require_counts

READINGS_A_CORNER: Final = range(1, 21)
OF_CHECKS: Final = {"rule": "height_check"}
"""Has the words chosen that are about a check (`texts.VARIANTS`)."""
ONE_DAY: Final = timedelta(days=1)
"""A time of day that is assumed for today may not have come yet; the day itself is right."""
NO_LIMIT_MM: Final = float("inf")
"""How long an instrument is that nobody named."""


def height_check_made(
    *,
    actor: Actor,
    basis: CheckBasis,
    record_id: uuid.UUID,
    vehicle: Vehicle,
    taken_at: datetime,
    readings: Sequence[Mapping[str, Any]],
    loading: str,
    measured_by: Membership | None,
    odometer_km: Decimal | None = None,
    instrument: Instrument | None = None,
    temperature_deg_c: Decimal | None = None,
    note: str = "",
    received_at: datetime | None = None,
    assumed: AssumedTime | None = None,
) -> tuple[HeightCheck, list[HeightCheckReading]]:
    """The check with its readings; `measured_by` is who read what names nobody else; `assumed`: only a day was."""
    needed = _("A height check needs 1 to 20 readings at every corner; %(corner)s has %(count)s.")
    require_counts(Counter(reading["corner"] for reading in readings), READINGS_A_CORNER, needed)
    received = received_by(actor, received_at)
    noted = taken_at + actor.clock_offset
    check = HeightCheck(
        id=record_id,
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
        vehicle=vehicle,
        taken_at=taken_at,
        happened_at=min(noted, received),
        received_at=received,
        odometer_km=odometer_km,
        instrument=instrument,
        temperature_deg_c=temperature_deg_c,
        loading=loading,
        note=note,
        computed_with=PROVENANCE,
    )
    _require_theirs(actor, check)
    day = day_of(check, assumed)
    check.specification = basis.revision(vehicle, day)
    check.concession = basis.concession(check)
    rows = reading_rows(actor, check, readings, first_ordinal=1, measured_by=measured_by)
    require_plausible(specification_of(check, check.specification), rows)
    check.repeats = _repeated(basis, check, rows)
    found = _of_check(basis, check, noted, assumed)
    check.findings = [_stored(each) for each in (*found, *_freeze(basis, check, day, rows))]
    check.result = MeasuredHeightCheck(check, rows, {}).result
    return check, rows


def received_by(actor: Actor, received_at: datetime | None) -> datetime:
    """When it came in: what is said of a check that was kept elsewhere before, else now."""
    return min(received_at or actor.now, actor.now)


def _require_theirs(actor: Actor, check: HeightCheck) -> None:
    """A contact records what was measured while the vehicle was their operator's, however late it arrives."""
    if actor.operator_id is None or sees_whole_workshop(actor):
        return
    if not was_theirs(actor.operator_id, check.vehicle, check.happened_at):
        detail = _("The vehicle was not your operator's when this was measured. Ask the workshop to record it.")
        raise Forbidden(detail, code="not_theirs_then")


def _freeze(basis: CheckBasis, check: HeightCheck, day: date, rows: Sequence[HeightCheckReading]) -> list[NewFinding]:
    """Keep with the check what its uncertainty rests on, as known before it; what speaks against its instruments."""
    pairs = {(row.measured_by_id, row.instrument_id): row.instrument for row in rows}
    known = largest_repeatability([basis.repeatability(person, used) for (person, _used), used in pairs.items()])
    check.repeatability = {
        "standard_deviation_mm": known.standard_deviation_mm,
        "degrees_of_freedom": known.degrees_of_freedom,
    }
    used = {row.instrument.pk: row.instrument for row in rows if row.instrument is not None}
    calibrations = {pk: basis.calibration(each, day) for pk, each in used.items()}
    check.instruments = [frozen_instrument(each, calibrations[pk]) for pk, each in used.items()]
    statuses = [instrument_status(each, calibrations[pk]) for pk, each in used.items()]
    return of_instruments(Arrival("height_check", check.pk, check.happened_at, check.recorded_at), day, statuses)


def _of_check(basis: CheckBasis, check: HeightCheck, noted: datetime, assumed: AssumedTime | None) -> list[NewFinding]:
    """A time that was assumed or cannot be right, an odometer that went back, a record that was sent once more."""
    arrival, found = Arrival("height_check", check.pk, noted, check.received_at), []
    if assumed is not None:
        found.append(arrival.finding(TIME_ASSUMED, None, **assumed.as_values()))
    if noted > check.received_at + (ONE_DAY if assumed else CLOCK_TOLERANCE):
        received = check.received_at.isoformat()
        times = {"happened_at": noted.isoformat(), "recorded_at": received}
        found.append(arrival.finding("clock_wrong", None, **OF_CHECKS, **times))
    before = basis.highest_odometer(check) if check.odometer_km is not None else None
    if check.odometer_km is not None and before is not None and check.odometer_km < before:
        values = {"odometer_km": float(check.odometer_km), "before_km": float(before)}
        found.append(arrival.finding("odometer_lower", None, **values))
    if check.repeats is not None:
        named = {"repeats": str(check.repeats.pk), "happened_at": check.repeats.happened_at.isoformat()}
        found.append(arrival.finding("repeats_earlier_record", None, **OF_CHECKS, **named))
    return found


def _stored(finding: NewFinding) -> dict[str, Any]:
    return {"code": finding.code, "severity": SEVERITIES[finding.code], "values": dict(finding.values)}


def _repeated(basis: CheckBasis, check: HeightCheck, rows: Sequence[HeightCheckReading]) -> HeightCheck | None:
    """The check of the same minute in which everything was read the same, whoever sent it."""
    seen = heights_of(rows)
    return next((each for each, heights in basis.alike(check) if heights == seen), None)


def reading_rows(
    actor: Actor,
    check: HeightCheck,
    readings: Iterable[Mapping[str, Any]],
    *,
    first_ordinal: int,
    measured_by: Membership | None,
    pointer: str = "",
) -> list[HeightCheckReading]:
    """Not stored yet. A replacement, which `pointer` names, has its own instrument or none."""
    return [
        HeightCheckReading(
            id=reading.get("id") or new_id(),
            recorded_at=actor.now,
            recorded_by=actor.membership_id,
            height_check=check,
            ordinal=ordinal,
            corner=reading["corner"],
            height_mm=reading["height_mm"],
            confirmed=reading.get("confirmed", False),
            measured_by=reading.get("measured_by") or measured_by,
            instrument=reading.get("instrument") or (None if pointer else check.instrument),
        )
        for ordinal, reading in enumerate(readings, first_ordinal)
    ]


def require_plausible(
    specification: Specification | None, rows: Sequence[HeightCheckReading], pointer: str = ""
) -> None:
    """Heights that cannot be, or that need a second look, are given back before anything is stored."""
    errors = [
        height_error(
            float(row.height_mm),
            specification.target_mm(row.corner) if specification else None,  # type: ignore[arg-type]
            float(row.instrument.length_mm) if row.instrument else NO_LIMIT_MM,
            f"{pointer or f'/readings/{index}'}/height_mm",
            confirmed=row.confirmed,
        )
        for index, row in enumerate(rows)
    ]
    found = [each for each in errors if each is not None]
    if found:
        raise Invalid(found)
