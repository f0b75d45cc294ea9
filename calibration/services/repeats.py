"""Rounds and writes that were sent more than once: one measurement counts once, however often it arrives."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from django.db.models import QuerySet

from fleet.actor import Actor
from fleet.models import Instrument
from fleet.permissions import Permission
from fleet.worded_once import worded_once

from ..models import Proposal, Reading, Round, Write
from ..rules.finding_kinds import Arrival, NewFinding
from ..selectors.casefile import CaseFile
from .step import JobStep, locked_job

SHORTEST_ROUND: Final = timedelta(minutes=1)
"""Nobody measures four corners twice in less: of two equal rounds so near to each other one is a copy."""


def round_sent_before(
    *,
    actor: Actor,
    job_id: uuid.UUID,
    taken_at: datetime,
    instrument: Instrument,
    setpoints: Mapping[str, int],
    readings: Sequence[Mapping[str, Any]],
    **fields: Any,
) -> Round | None:
    """The round that this person recorded with this very content: a request without an id that is sent again.

    The job is locked, so that of two that race the second finds what the first one made.
    """
    job = locked_job(actor, job_id, Permission.RECORD_FACTS)
    if not _taken_at(job_id, taken_at):
        return None
    values = {"taken_at": taken_at, "instrument_id": instrument.pk, "setpoints": dict(setpoints), **fields}
    said = [_said(each, actor, instrument) for each in readings]
    return next(
        (
            each
            for each in CaseFile(job).rounds
            if each.recorded_by == actor.membership_id
            and all(getattr(each, name) == value for name, value in values.items())
            and [_stored(row) for row in first_readings(each)] == said
        ),
        None,
    )


@worded_once
def _taken_at(job_id: uuid.UUID, taken_at: datetime) -> QuerySet[Any, tuple[uuid.UUID]]:
    return Round.objects.filter(job=job_id, taken_at=taken_at).order_by().values_list("pk")[:1]


def _said(reading: Mapping[str, Any], actor: Actor, instrument: Instrument) -> tuple[object, ...]:
    measured_by, measured_with = reading.get("measured_by"), reading.get("instrument") or instrument
    person = measured_by.pk if measured_by else actor.membership_id
    return reading["corner"], reading["height_mm"], bool(reading.get("confirmed")), person, measured_with.pk


def _stored(row: Reading) -> tuple[object, ...]:
    return row.corner, row.height_mm, row.confirmed, row.measured_by_id, row.instrument_id


def first_readings(measured: Round) -> list[Reading]:
    """The readings that came with a round, without those that were added since."""
    rows: list[Reading] = measured.reading_rows  # type: ignore[attr-defined]
    return [row for row in rows if row.recorded_at == measured.recorded_at]


def readings_sent_before(*, actor: Actor, measured: Round, readings: Sequence[Mapping[str, Any]]) -> Round | None:
    """The round, where this person added these very readings to it within the last minute.

    Further readings carry no time of their own, and the next one at a corner may well be the same number: without ids
    only the time that reading takes tells it from a request that is sent again.
    """
    case = JobStep(actor, measured.job_id, Permission.RECORD_FACTS).case
    replacements = {strike.replacement_id for strike in case.strikes}
    added: dict[datetime, list[tuple[object, ...]]] = {}
    for row in next(each for each in case.rounds if each.pk == measured.pk).reading_rows:  # type: ignore[attr-defined]
        is_near = measured.recorded_at < row.recorded_at and actor.now - row.recorded_at < SHORTEST_ROUND
        if is_near and row.recorded_by == actor.membership_id and row.pk not in replacements:
            added.setdefault(row.recorded_at, []).append(_stored(row))
    return measured if [_said(each, actor, measured.instrument) for each in readings] in added.values() else None


def write_sent_before(
    *,
    actor: Actor,
    job_id: uuid.UUID,
    proposal: Proposal | None,
    written_at: datetime,
    read_back: Mapping[str, int],
) -> Write | None:
    """The write that this person recorded with this very content; the same as for a round."""
    case = JobStep(actor, job_id, Permission.RECORD_FACTS).case
    said = (proposal.pk if proposal else None, written_at, dict(read_back))
    return next((e for e in case.writes if e.recorded_by == actor.membership_id and _seen_write(e) == said), None)


def repeated_round(case: CaseFile, measured: Round, rows: Iterable[Reading]) -> Round | None:
    """The round that a new one repeats in all that was seen: instruments, set-points, heights, and about the time.

    Whoever sends it: two tablets may both have taken down the same sheet of paper.
    """
    seen = _seen_round(measured, rows)
    earlier = (each for each in case.rounds if each.repeats_id is None and _is_about_when(case, each, measured))
    return next((each for each in earlier if _seen_round(each, first_readings(each)) == seen), None)


def _is_about_when(case: CaseFile, earlier: Round, measured: Round) -> bool:
    """At the very same time, or nearer to each other than two rounds can be and nothing was written in between."""
    if earlier.taken_at == measured.taken_at:
        return True
    first, last = sorted((earlier.happened_at, measured.happened_at))
    is_near = abs(earlier.taken_at - measured.taken_at) < SHORTEST_ROUND
    return is_near and not any(first < write.happened_at <= last for write in case.writes)


def _seen_round(measured: Round, rows: Iterable[Reading]) -> tuple[object, ...]:
    heights = sorted((row.corner, row.height_mm, str(row.instrument_id)) for row in rows)
    return measured.ride_position, measured.settled, measured.setpoints, heights


def repeated_write(case: CaseFile, write: Write) -> Write | None:
    """The write that a new one repeats: the same proposal, time and read-back."""
    earlier = (each for each in case.writes if each.repeats_id is None)
    return next((each for each in earlier if _seen_write(each) == _seen_write(write)), None)


def _seen_write(write: Write) -> tuple[object, ...]:
    return write.proposal_id, write.written_at, write.read_back


def of_repeat(arrival: Arrival, repeated: Round | Write) -> NewFinding:
    """Names the record that was sent once more."""
    at = repeated.happened_at.isoformat()
    return arrival.finding("repeats_earlier_record", repeats=str(repeated.pk), happened_at=at)
