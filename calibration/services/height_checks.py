"""Height checks: facts, stored whenever they are well formed, with whatever findings they carry."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, Final

from django.utils.translation import gettext as _

from fleet import ledger
from fleet.actor import CLOCK_TOLERANCE, Actor
from fleet.errors import Conflict, Forbidden, Invalid, NotFound
from fleet.ids import new_id
from fleet.models import Instrument, Membership, Vehicle
from fleet.permissions import Permission, require
from fleet.selectors.instruments import calibration_at
from fleet.selectors.vehicles import sees_whole_workshop

from ..metrology.provenance import PROVENANCE
from ..metrology.readings import largest_repeatability
from ..models import Concession, HeightCheck, HeightCheckReading, HeightCheckStrike, Job
from ..rules.finding_kinds import SEVERITIES, Arrival, NewFinding
from ..rules.findings import of_instruments
from ..selectors.casefile import CaseFile
from ..selectors.height_checks import (
    MeasuredHeightCheck,
    came_with_the_check,
    specification_of,
    visible_height_checks,
    was_theirs,
)
from ..selectors.odometer import highest_odometer
from ..selectors.specifications import revision_in_force
from .drift import drift_changed
from .independence import decides_alone
from .measuring import frozen_instrument, height_error, instrument_status, require_counts
from .repeatability import repeatability_of

READINGS_A_CORNER: Final = range(1, 21)
OF_CHECKS: Final = {"rule": "height_check"}
"""Has the words chosen that are about a check (`texts.VARIANTS`)."""
NO_LIMIT_MM: Final = float("inf")
"""How long an instrument is that nobody named."""


def height_check_record(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    vehicle: Vehicle,
    taken_at: datetime,
    readings: Sequence[Mapping[str, Any]],
    loading: str,
    odometer_km: Decimal | None = None,
    instrument: Instrument | None = None,
    temperature_deg_c: Decimal | None = None,
    note: str = "",
    received_at: datetime | None = None,
) -> HeightCheck:
    """Record the heights of all four corners, measured outside a job; one reading a corner is enough.

    `received_at` is when it came in, for a check that was kept elsewhere before; otherwise now.
    """
    require(actor, Permission.RECORD_CHECKS)
    needed = _("A height check needs 1 to 20 readings at every corner; %(corner)s has %(count)s.")
    require_counts(Counter(reading["corner"] for reading in readings), READINGS_A_CORNER, needed)
    received = min(received_at or actor.now, actor.now)
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
    check.specification = revision_in_force(vehicle.vehicle_model_id, check.happened_at.date())
    check.concession = _concession_in_force(check)
    rows = _reading_rows(actor, check, readings, first_ordinal=1)
    _require_plausible(check, rows)
    check.repeats = _repeated(check, rows)
    check.findings = [_stored(each) for each in (*_of_check(check, noted), *_freeze(check, rows))]
    measured = MeasuredHeightCheck(check, rows, {})
    check.result = measured.result
    check.save(force_insert=True)
    HeightCheckReading.objects.bulk_create(rows)
    ledger.append(actor, "height_check_recorded", check, vehicle=vehicle, rows=rows)
    drift_changed(actor, vehicle.pk)
    return check


def height_check_sent_before(
    *, actor: Actor, vehicle: Vehicle, readings: Sequence[Mapping[str, Any]], **fields: Any
) -> HeightCheck | None:
    """The check that this person recorded with this very content: a request without an id that is sent again.

    The vehicle is locked, so that of two that race the second finds what the first one made.
    """
    Vehicle.objects.select_for_update(no_key=True).get(pk=vehicle.pk)
    instrument = fields.get("instrument")
    said = [_said(each, actor, instrument) for each in readings]
    alike = HeightCheck.objects.filter(vehicle=vehicle, recorded_by=actor.membership_id, taken_at=fields["taken_at"])
    return next(
        (
            each
            for each in alike.order_by("recorded_at", "id")
            if all(getattr(each, name) == value for name, value in fields.items())
            and [_kept(row) for row in _first_readings(each)] == said
        ),
        None,
    )


def check_reading_strike(
    *, actor: Actor, record_id: uuid.UUID, reading_id: uuid.UUID, reason: str, replacement: Mapping[str, Any]
) -> HeightCheck:
    """Strike out a wrong reading of a check and put another beside it; both stay visible.

    Its verdict was shown when it was recorded, so it takes another person than the one who measured.
    """
    visible = visible_height_checks(actor)
    reading = HeightCheckReading.objects.filter(pk=reading_id, height_check__in=visible).first()
    if reading is None:
        raise NotFound
    require(actor, Permission.RECORD_FACTS)
    Vehicle.objects.select_for_update(no_key=True).get(pk=reading.height_check.vehicle_id)
    if HeightCheckStrike.objects.filter(reading=reading).exists():
        raise Conflict(_("This reading is struck out already."), code="struck_already")
    check = visible.get(pk=reading.height_check_id)
    alone = _require_may_strike(actor, reading)
    last = check.readings.order_by("-ordinal").values_list("ordinal", flat=True)[0]
    given = {**replacement, "corner": reading.corner, "instrument": reading.instrument}
    rows = _reading_rows(actor, check, [given], first_ordinal=last + 1, pointer="/replacement")
    _require_plausible(check, rows, pointer="/replacement")
    rows[0].save(force_insert=True)
    strike = HeightCheckStrike.objects.create(
        id=record_id,
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
        reading=reading,
        replacement=rows[0],
        reason=reason,
        self_approved=alone,
    )
    ledger.append(actor, "check_reading_struck", strike, vehicle=check.vehicle, rows=[reading, *rows])
    drift_changed(actor, check.vehicle_id)
    return check


def _require_may_strike(actor: Actor, reading: HeightCheckReading) -> bool:
    try:
        return decides_alone(actor, {reading.measured_by_id, reading.recorded_by})
    except Forbidden as error:
        detail = _(
            "The verdict on this reading was shown, so another person than the one who measured strikes it out. "
            "Measuring again needs nobody else: record another height check."
        )
        raise Forbidden(detail, code=error.code) from None


def _require_theirs(actor: Actor, check: HeightCheck) -> None:
    """A contact records what was measured while the vehicle was their operator's, however late it arrives."""
    if actor.operator_id is None or sees_whole_workshop(actor):
        return
    if not was_theirs(actor.operator_id, check.vehicle, check.happened_at):
        detail = _("The vehicle was not your operator's when this was measured. Ask the workshop to record it.")
        raise Forbidden(detail, code="not_theirs_then")


def _concession_in_force(check: HeightCheck) -> Concession | None:
    """That of the last job opened before: its targets hold until the next one opens."""
    jobs = Job.objects.filter(vehicle=check.vehicle, opened_at__lte=check.happened_at)
    job = jobs.order_by("-opened_at", "-id").first()
    if job is None or not Concession.objects.filter(job=job).exists():
        return None
    granted = CaseFile(job).standing.concession
    return Concession.objects.get(pk=granted.id) if granted else None


def _freeze(check: HeightCheck, rows: Sequence[HeightCheckReading]) -> list[NewFinding]:
    """Keep with the check what its uncertainty rests on, as known before it; what speaks against its instruments."""
    day = check.happened_at.date()
    pairs = {(row.measured_by_id, row.instrument_id): row.instrument for row in rows}
    known = largest_repeatability([repeatability_of(person, used) for (person, _used), used in pairs.items()])
    check.repeatability = {
        "standard_deviation_mm": known.standard_deviation_mm,
        "degrees_of_freedom": known.degrees_of_freedom,
    }
    used = {row.instrument.pk: row.instrument for row in rows if row.instrument is not None}
    calibrations = {pk: calibration_at(pk, day) for pk in used}
    check.instruments = [frozen_instrument(each, calibrations[pk]) for pk, each in used.items()]
    statuses = [instrument_status(each, calibrations[pk]) for pk, each in used.items()]
    return of_instruments(Arrival("height_check", check.pk, check.happened_at, check.recorded_at), statuses)


def _of_check(check: HeightCheck, noted: datetime) -> list[NewFinding]:
    """A time that cannot be right, an odometer that went back, a record that was sent once more."""
    arrival, found = Arrival("height_check", check.pk, noted, check.received_at), []
    if noted > check.received_at + CLOCK_TOLERANCE:
        received = check.received_at.isoformat()
        times = {"happened_at": noted.isoformat(), "recorded_at": received}
        found.append(arrival.finding("clock_wrong", None, **OF_CHECKS, **times))
    before = highest_odometer(check.vehicle, until=check.happened_at) if check.odometer_km is not None else None
    if check.odometer_km is not None and before is not None and check.odometer_km < before:
        values = {"odometer_km": float(check.odometer_km), "before_km": float(before)}
        found.append(arrival.finding("odometer_lower", None, **values))
    if check.repeats is not None:
        named = {"repeats": str(check.repeats.pk), "happened_at": check.repeats.happened_at.isoformat()}
        found.append(arrival.finding("repeats_earlier_record", None, **OF_CHECKS, **named))
    return found


def _stored(finding: NewFinding) -> dict[str, Any]:
    return {"code": finding.code, "severity": SEVERITIES[finding.code], "values": dict(finding.values)}


def _repeated(check: HeightCheck, rows: Sequence[HeightCheckReading]) -> HeightCheck | None:
    """The check of the same minute in which everything was read the same, whoever sent it."""
    minute = timedelta(minutes=1)
    near = HeightCheck.objects.filter(
        vehicle=check.vehicle,
        repeats=None,
        loading=check.loading,
        taken_at__gt=check.taken_at - minute,
        taken_at__lt=check.taken_at + minute,
    )
    seen = sorted((row.corner, row.height_mm) for row in rows)
    return next(
        (e for e in near if sorted((row.corner, row.height_mm) for row in _first_readings(e)) == seen),
        None,
    )


def _first_readings(check: HeightCheck) -> list[HeightCheckReading]:
    """The readings that came with a check, without replacements."""
    return list(check.readings.filter(came_with_the_check()).order_by("ordinal"))


def _said(reading: Mapping[str, Any], actor: Actor, instrument: Instrument | None) -> tuple[object, ...]:
    measured_by, used = reading.get("measured_by"), reading.get("instrument") or instrument
    person = measured_by.pk if measured_by else actor.membership_id
    confirmed = bool(reading.get("confirmed"))
    return reading["corner"], reading["height_mm"], confirmed, person, used.pk if used else None


def _kept(row: HeightCheckReading) -> tuple[object, ...]:
    return row.corner, row.height_mm, row.confirmed, row.measured_by_id, row.instrument_id


def _reading_rows(
    actor: Actor,
    check: HeightCheck,
    readings: Iterable[Mapping[str, Any]],
    *,
    first_ordinal: int,
    pointer: str = "",
) -> list[HeightCheckReading]:
    myself = Membership.objects.filter(pk=actor.membership_id).first() if actor.membership_id else None
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
            measured_by=reading.get("measured_by") or myself,
            instrument=reading.get("instrument") or (None if pointer else check.instrument),
        )
        for ordinal, reading in enumerate(readings, first_ordinal)
    ]


def _require_plausible(check: HeightCheck, rows: Sequence[HeightCheckReading], pointer: str = "") -> None:
    """Heights that cannot be, or that need a second look, are given back before anything is stored."""
    specification = specification_of(check)
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
