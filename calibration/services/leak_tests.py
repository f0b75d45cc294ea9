"""Leak tests: a fact, stored whenever it is well formed, with whatever findings it carries."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal

from django.utils.translation import gettext as _

from fleet.actor import Actor
from fleet.days import local_day
from fleet.errors import Invalid
from fleet.models import Instrument
from fleet.permissions import Permission
from fleet.selectors.instruments import calibration_at

from ..metrology.corners import CORNERS
from ..metrology.provenance import PROVENANCE
from ..models import LeakTest
from ..rules.arrivals import clock_is_wrong, of_arrival, time_of
from ..rules.finding_kinds import Arrival
from ..rules.findings import of_instruments
from ..rules.leaks import findings_of_leaks
from ..rules.record import JobRecord
from ..selectors.leak_tests import result_of
from .measuring import frozen_instrument, height_error, instrument_status
from .repeatability import repeatability_of
from .step import JobStep


@dataclass(frozen=True, slots=True)
class ParkedMoment:
    """What was read of the parked vehicle at one time; `confirmed`: heights far from target stand."""

    at: datetime
    heights: Mapping[str, Decimal]
    temperature_deg_c: Decimal | None = None
    confirmed: bool = False


def leak_test_record(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    job_id: uuid.UUID,
    instrument: Instrument,
    start: ParkedMoment,
    end: ParkedMoment,
) -> LeakTest:
    """Record a leak test: heights of the parked vehicle at two times, between the same marks."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    _require_well_formed(step, instrument, start, end)
    before = step.case.record
    arrival = _arrival(before, record_id, actor, start, end)
    test = _row(step, record_id, instrument, start, end)
    test.happened_at = time_of(before, arrival)
    day = local_day(test.happened_at)
    calibration = calibration_at(instrument.pk, day)
    test.instruments = [frozen_instrument(instrument, calibration)]
    test.result = result_of(test, before.specification)
    step.add(test, "leak_tests")
    counted = replace(arrival, happened_at=test.happened_at)
    step.raise_findings(
        [
            *of_arrival(before, arrival),
            *of_instruments(counted, day, [instrument_status(instrument, calibration)]),
            *findings_of_leaks(step.case.record, step.standing.leak_results),
        ]
    )
    step.conclude("leak_test_recorded", test)
    return test


def leak_test_sent_before(
    *, actor: Actor, job_id: uuid.UUID, instrument: Instrument, start: ParkedMoment, end: ParkedMoment
) -> LeakTest | None:
    """The test that this person recorded with this very content: a request without an id that is sent again.

    The job is locked, so that of two that race the second finds what the first one made.
    """
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    said = _said(_row(step, uuid.UUID(int=0), instrument, start, end))
    mine = (each for each in step.case.leak_tests if each.recorded_by == actor.membership_id)
    return next((each for each in mine if _said(each) == said), None)


def _said(test: LeakTest) -> tuple[object, ...]:
    heights = (test.start_heights_um, test.end_heights_um)
    temperatures = (test.start_temperature_deg_c, test.end_temperature_deg_c)
    return test.instrument_id, test.started_at, test.ended_at, heights, temperatures


def _row(
    step: JobStep, record_id: uuid.UUID, instrument: Instrument, start: ParkedMoment, end: ParkedMoment
) -> LeakTest:
    known = repeatability_of(step.actor.membership_id, instrument)
    return LeakTest(
        id=record_id,
        **step.common(),
        instrument=instrument,
        started_at=start.at,
        ended_at=end.at,
        happened_at=end.at,
        start_temperature_deg_c=start.temperature_deg_c,
        end_temperature_deg_c=end.temperature_deg_c,
        start_heights_um=_micrometres(start.heights),
        end_heights_um=_micrometres(end.heights),
        confirmed=start.confirmed or end.confirmed,
        repeatability={
            "standard_deviation_mm": known.standard_deviation_mm,
            "degrees_of_freedom": known.degrees_of_freedom,
        },
        computed_with=PROVENANCE,
    )


def _micrometres(heights: Mapping[str, Decimal]) -> dict[str, int]:
    return {corner: int(heights[corner] * 1000) for corner in CORNERS}


def _require_well_formed(step: JobStep, instrument: Instrument, start: ParkedMoment, end: ParkedMoment) -> None:
    if end.at <= start.at:
        text = _("The second heights must be later than the first ones. Check both times.")
        raise Invalid.at("/end/at", "not_after_start", text)
    specification, length = step.standing.specification, float(instrument.length_mm)
    errors = [
        height_error(
            float(moment.heights[corner]),
            specification.target_mm(corner) if specification else None,
            length,
            f"/{name}/heights/{corner}",
            confirmed=moment.confirmed,
        )
        for name, moment in (("start", start), ("end", end))
        for corner in CORNERS
    ]
    found = [each for each in errors if each is not None]
    if found:
        raise Invalid(found)


def _arrival(record: JobRecord, test_id: uuid.UUID, actor: Actor, start: ParkedMoment, end: ParkedMoment) -> Arrival:
    """When it happened: its end, or its start where it is that which cannot be right."""
    noted = (Arrival("leak_test", test_id, each.at + actor.clock_offset, actor.now) for each in (end, start))
    ended, started = noted
    return started if clock_is_wrong(record, started) else ended
