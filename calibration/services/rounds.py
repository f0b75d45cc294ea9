"""Rounds and readings: facts, stored whenever they are well formed, with whatever findings they carry."""

from __future__ import annotations

import uuid
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.utils.translation import gettext as _

from fleet.actor import Actor
from fleet.days import local_day
from fleet.errors import Conflict, FieldError, Forbidden, Invalid, NotFound
from fleet.ids import new_id
from fleet.models import Instrument, Membership
from fleet.permissions import Permission
from fleet.selectors.instruments import calibration_at

from ..models import Reading, ReadingStrike, Round
from ..rules.arrivals import Place, of_arrival, of_place, place_of
from ..rules.finding_kinds import Arrival, NewFinding
from ..rules.findings import InstrumentStatus, of_instruments, of_readiness, of_setpoints
from ..rules.sightings import last_known_setpoints, sighting_of_round
from ..selectors.jobs import visible_jobs
from .independence import decides_alone
from .measuring import frozen_instrument, height_error, instrument_status, require_counts
from .repeatability import known_before, learn_anew, learn_from
from .repeats import of_repeat, repeated_round
from .step import JobStep

READINGS_A_CORNER = range(2, 21)


def round_record(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    job_id: uuid.UUID,
    taken_at: datetime,
    instrument: Instrument,
    setpoints: Mapping[str, int],
    readings: Sequence[Mapping[str, Any]],
    temperature_deg_c: Decimal | None = None,
    ride_position: str = "normal",
    settled: bool = True,
    settling_cut_short_s: int | None = None,
    recorded_from: str = "tablet",
) -> Round:
    """Record a full measurement of all four corners with the set-points then stored."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    _require_counts(Counter(reading["corner"] for reading in readings))
    record = step.case.record
    arrival = Arrival("round", record_id, taken_at + actor.clock_offset, actor.now)
    measured = Round(
        id=record_id,
        **step.common(),
        taken_at=taken_at,
        instrument=instrument,
        temperature_deg_c=temperature_deg_c,
        ride_position=ride_position,
        settled=settled,
        settling_cut_short_s=settling_cut_short_s,
        recorded_from=recorded_from,
        setpoints=dict(setpoints),
    )
    place = place_of(record, arrival, sighting_of_round(arrival.noted_at, measured.setpoints))
    measured.happened_at = place.at
    rows = _reading_rows(step, measured, readings, first_ordinal=1)
    _require_plausible(step, rows)
    used = {row.instrument_id: row.instrument for row in rows} or {instrument.pk: instrument}
    day = local_day(measured.happened_at)
    calibrations = {pk: calibration_at(pk, day) for pk in used}
    _freeze(measured, rows, [frozen_instrument(each, calibrations[pk]) for pk, each in used.items()])
    measured.repeats = repeated_round(step.case, measured, rows)
    instruments = [instrument_status(each, calibrations[pk]) for pk, each in used.items()]
    found = _findings(step, arrival, place, measured, instruments)
    step.add(measured, "rounds")
    step.add_readings(rows)
    if measured.repeats is None:
        _learn(step, rows)
    step.raise_findings(found)
    step.conclude("round_recorded", measured)
    return measured


def _freeze(measured: Round, rows: list[Reading], instruments: list[dict[str, Any]]) -> None:
    """Keep with the round what its uncertainty rests on, as known before it."""
    before = known_before(rows)
    measured.repeatability = {
        "standard_deviation_mm": before.standard_deviation_mm,
        "degrees_of_freedom": before.degrees_of_freedom,
    }
    measured.instruments = instruments
    measured.reading_rows = rows  # type: ignore[attr-defined]


def _findings(
    step: JobStep, arrival: Arrival, place: Place, measured: Round, instruments: Iterable[InstrumentStatus]
) -> list[NewFinding]:
    """What a round that is about to be stored carries. What only repeats another has no findings but that."""
    record = step.case.record
    if measured.repeats is not None:
        return [*of_arrival(record, arrival), of_repeat(arrival, measured.repeats)]
    expected = last_known_setpoints(record, measured.happened_at)
    counted = replace(arrival, happened_at=measured.happened_at)
    return [
        *of_arrival(record, arrival),
        *of_place(arrival, place),
        *of_instruments(counted, local_day(measured.happened_at), instruments),
        *of_setpoints(record, arrival, measured.setpoints, expected),
        *of_readiness(step.standing, arrival),
    ]


def _learn(step: JobStep, rows: Iterable[Reading]) -> None:
    for sums in learn_from(rows):
        step.note(sums)


def readings_add(
    *, actor: Actor, record_id: uuid.UUID, round_id: uuid.UUID, readings: Sequence[Mapping[str, Any]]
) -> Round:
    """Add repeated readings to a round; the verdict on it is made again."""
    step, measured = _step_of_round(actor, round_id)
    record = step.case.record
    rows = _reading_rows(step, measured, readings, first_ordinal=len(measured.reading_rows) + 1)  # type: ignore[attr-defined]
    _require_counts(Counter(row.corner for row in (*measured.reading_rows, *rows)))  # type: ignore[attr-defined]
    _require_plausible(step, rows)
    _store(step, measured, rows)
    if measured.repeats_id is None:
        _learn(step, rows)
    step.raise_findings(of_arrival(record, Arrival("round", record_id, actor.now, actor.now)))
    step.conclude("readings_added", measured, {"request": str(record_id)})
    return measured


def reading_strike(
    *, actor: Actor, record_id: uuid.UUID, reading_id: uuid.UUID, reason: str, replacement: Mapping[str, Any]
) -> Round:
    """Strike out a wrong reading and put another beside it; both stay visible.

    After its verdict was shown it takes another person than the one who measured, after sign-off a manager.
    """
    found = Reading.objects.filter(pk=reading_id, round__job__in=visible_jobs(actor)).first()
    if found is None:
        raise NotFound
    step, measured = _step_of_round(actor, found.round_id)
    reading = next(row for row in measured.reading_rows if row.pk == reading_id)  # type: ignore[attr-defined]
    if any(strike.reading_id == reading_id for strike in step.case.strikes):
        raise Conflict(_("This reading is struck out already."), code="struck_already")
    alone = _require_may_strike(step, measured, reading)
    rows = _reading_rows(
        step,
        measured,
        [{**replacement, "corner": reading.corner, "instrument": reading.instrument}],
        first_ordinal=len(measured.reading_rows) + 1,  # type: ignore[attr-defined]
        pointer="/replacement",
    )
    _require_plausible(step, rows, pointer="/replacement")
    record = step.case.record
    _store(step, measured, rows)
    strike = ReadingStrike(
        id=record_id,
        recorded_at=actor.now,
        recorded_by=actor.membership_id,
        reading=reading,
        replacement=rows[0],
        reason=reason,
        self_approved=alone,
    )
    step.add(strike, "strikes")
    if measured.repeats_id is None:
        step.note(learn_anew(reading))
    step.raise_findings(of_arrival(record, Arrival("strike", strike.pk, actor.now, actor.now)))
    step.conclude("reading_struck", strike)
    return measured


def _require_may_strike(step: JobStep, measured: Round, reading: Reading) -> bool:
    if not step.job.is_open and not step.actor.roles & {"manager"}:
        raise Forbidden(_("After sign-off only a manager strikes a reading out."), code="manager_needed")
    if not any(str(measured.pk) in each.content["rounds"] for each in step.case.assessments):
        return False
    try:
        return decides_alone(step.actor, {reading.measured_by_id, reading.recorded_by})
    except Forbidden as error:
        detail = _(
            "The verdict on this reading was shown, so another person than the one who measured strikes it out. "
            "Reading the corner again needs nobody else: add readings to the round, or measure another round."
        )
        raise Forbidden(detail, code=error.code) from None


def _step_of_round(actor: Actor, round_id: uuid.UUID) -> tuple[JobStep, Round]:
    job_id = Round.objects.filter(pk=round_id, job__in=visible_jobs(actor)).values_list("job", flat=True).first()
    if job_id is None:
        raise NotFound
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    return step, next(each for each in step.case.rounds if each.pk == round_id)


def _store(step: JobStep, measured: Round, rows: Sequence[Reading]) -> None:
    step.add_readings(rows)
    measured.reading_rows.extend(rows)  # type: ignore[attr-defined]
    step.case.judge_again()


def _reading_rows(
    step: JobStep,
    measured: Round,
    readings: Iterable[Mapping[str, Any]],
    *,
    first_ordinal: int,
    pointer: str = "",
) -> list[Reading]:
    actor = step.actor
    myself = Membership.objects.filter(pk=actor.membership_id).first() if actor.membership_id else None
    return [
        Reading(
            id=reading.get("id") or new_id(),
            recorded_at=actor.now,
            recorded_by=actor.membership_id,
            round=measured,
            ordinal=ordinal,
            corner=reading["corner"],
            height_mm=reading["height_mm"],
            confirmed=reading.get("confirmed", False),
            measured_by=_measurer(myself, reading, f"{pointer or f'/readings/{ordinal - first_ordinal}'}/measured_by"),
            instrument=reading.get("instrument") or measured.instrument,
        )
        for ordinal, reading in enumerate(readings, first_ordinal)
    ]


def _measurer(myself: Membership | None, reading: Mapping[str, Any], pointer: str) -> Membership:
    person = reading.get("measured_by") or myself
    if person is None:
        raise Invalid.at(pointer, "required", _("Say who measured."))
    return person


def _require_counts(counts: Mapping[str, int]) -> None:
    needed = _("A round needs 2 to 20 readings at every corner; %(corner)s has %(count)s.")
    require_counts(counts, READINGS_A_CORNER, needed)


def _require_plausible(step: JobStep, rows: Sequence[Reading], pointer: str = "") -> None:
    """Heights that cannot be, or that need a second look, are given back before anything is stored."""
    errors = [
        error
        for index, row in enumerate(rows)
        if (error := _height_error(step, row, f"{pointer or f'/readings/{index}'}/height_mm")) is not None
    ]
    if errors:
        raise Invalid(errors)


def _height_error(step: JobStep, row: Reading, pointer: str) -> FieldError | None:
    specification = step.standing.specification
    target = specification.target_mm(row.corner) if specification else None  # type: ignore[arg-type]
    return height_error(float(row.height_mm), target, float(row.instrument.length_mm), pointer, confirmed=row.confirmed)
