"""Height checks: facts, stored whenever they are well formed, with whatever findings they carry."""

from __future__ import annotations

import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext as _

from fleet import ledger
from fleet.actor import Actor
from fleet.errors import Conflict, Forbidden, NotFound
from fleet.models import Instrument, Membership, Vehicle
from fleet.permissions import Permission, require

from ..models import HeightCheck, HeightCheckReading, HeightCheckStrike
from ..selectors.height_checks import (
    came_with_the_check,
    measured_height_checks,
    visible_height_checks,
)
from .check_basis import CheckBasis
from .check_making import height_check_made, reading_rows, require_plausible
from .drift import drift_changed
from .independence import decides_alone


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
    check, rows = height_check_made(
        actor=actor,
        basis=CheckBasis(),
        record_id=record_id,
        vehicle=vehicle,
        taken_at=taken_at,
        readings=readings,
        loading=loading,
        measured_by=_acting_member(actor),
        odometer_km=odometer_km,
        instrument=instrument,
        temperature_deg_c=temperature_deg_c,
        note=note,
        received_at=received_at,
    )
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
    alone = require_may_strike(actor, reading)
    last = check.readings.order_by("-ordinal").values_list("ordinal", flat=True)[0]
    given = {**replacement, "corner": reading.corner, "instrument": reading.instrument}
    myself = _acting_member(actor)
    rows = reading_rows(actor, check, [given], first_ordinal=last + 1, measured_by=myself, pointer="/replacement")
    require_plausible(measured_height_checks([check])[0].specification, rows, pointer="/replacement")
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


def require_may_strike(actor: Actor, reading: HeightCheckReading) -> bool:
    """Refuse whoever measured; True where a one-person workshop lets them strike it all the same."""
    try:
        return decides_alone(actor, {reading.measured_by_id, reading.recorded_by})
    except Forbidden as error:
        detail = _(
            "The verdict on this reading was shown, so another person than the one who measured strikes it out. "
            "Measuring again needs nobody else: record another height check."
        )
        raise Forbidden(detail, code=error.code) from None


def _acting_member(actor: Actor) -> Membership | None:
    return Membership.objects.filter(pk=actor.membership_id).first() if actor.membership_id else None


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
