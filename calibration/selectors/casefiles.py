"""The case files of several jobs, read with about as many queries as one takes."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

from django.db import connection
from django.db.models import Model, QuerySet

from fleet.models import Fitment, ServiceEvent

from ..models import (
    Approval,
    Concession,
    Decision,
    Finding,
    Job,
    JobEnd,
    JobPrior,
    LeakTest,
    Pause,
    Proposal,
    Readiness,
    Reading,
    ReadingStrike,
    Refiling,
    Resumption,
    Reversion,
    Round,
    Ruling,
    SignOff,
    Write,
)
from .casefile import CaseFile
from .vehicle_setpoints import baselines_of, previous_setpoints_of

_OF_A_JOB: Final[dict[str, type[Model]]] = {
    "readiness": Readiness,
    "leak_tests": LeakTest,
    "proposals": Proposal,
    "writes": Write,
    "concessions": Concession,
    "approvals": Approval,
    "decisions": Decision,
    "findings": Finding,
    "rulings": Ruling,
    "pauses": Pause,
    "resumptions": Resumption,
    "reversions": Reversion,
    "refilings": Refiling,
    "ends": JobEnd,
    "sign_offs": SignOff,
    "priors": JobPrior,
}
"""What a case file reads of one job, by its name there."""


def case_files(jobs: Iterable[Job]) -> list[CaseFile]:
    """One for each job, in the same order, with all that judging it reads; jobs come with their vehicle."""
    cases = [CaseFile(job) for job in jobs]
    if cases:
        _give_rows(cases)
        _give_rounds(cases)
        _give_of_vehicles(cases)
        _give_set_points(cases)
    return cases


def _give(cases: Sequence[CaseFile], name: str, rows: Iterable[Any], of: Callable[[Any], uuid.UUID]) -> None:
    """Let each case file hold its own of the rows, as if it had read them."""
    by_job: dict[uuid.UUID, list[Any]] = {case.job.pk: [] for case in cases}
    for row in rows:
        by_job[of(row)].append(row)
    for case in cases:
        case.__dict__[name] = by_job[case.job.pk]


def _of_job(row: Any) -> uuid.UUID:
    job: uuid.UUID = row.job_id
    return job


def _in_order(model: type[Model], jobs: Sequence[uuid.UUID]) -> QuerySet[Any]:
    return model._default_manager.filter(job__in=jobs).order_by("recorded_at", "id")


def _give_rows(cases: Sequence[CaseFile]) -> None:
    jobs = [case.job.pk for case in cases]
    filled = _filled(jobs)
    for name, model in _OF_A_JOB.items():
        _give(cases, name, _in_order(model, jobs) if name in filled else (), _of_job)


def _filled(jobs: list[uuid.UUID]) -> set[str]:
    """Of the tables those in which one of the jobs has a row: one query instead of one each."""
    selects = [
        f"SELECT '{name}' WHERE EXISTS (SELECT 1 FROM {model._meta.db_table} WHERE job_id = ANY(%s))"  # noqa: S608
        for name, model in _OF_A_JOB.items()
    ]
    with connection.cursor() as cursor:
        cursor.execute(" UNION ALL ".join(selects), [jobs] * len(selects))
        return {row[0] for row in cursor.fetchall()}


def _give_rounds(cases: Sequence[CaseFile]) -> None:
    rounds = list(_in_order(Round, [case.job.pk for case in cases]))
    by_round: dict[uuid.UUID, list[Reading]] = {each.pk: [] for each in rounds}
    for reading in Reading.objects.filter(round__in=by_round).order_by("ordinal"):
        by_round[reading.round_id].append(reading)
    for each in rounds:
        each.reading_rows = by_round[each.pk]
    _give(cases, "rounds", rounds, _of_job)
    struck = ReadingStrike.objects.filter(reading__round__in=by_round).order_by("recorded_at", "id")
    job_of = {reading.pk: each.job_id for each in rounds for reading in by_round[each.pk]}
    _give(cases, "strikes", struck, lambda strike: job_of[strike.reading_id])


def _give_of_vehicles(cases: Sequence[CaseFile]) -> None:
    """Events and tyres: of the vehicle, as long as the job was open."""
    vehicles = {case.job.vehicle_id for case in cases}
    events = list(ServiceEvent.objects.filter(vehicle__in=vehicles).order_by("happened_at", "id"))
    fitments = list(Fitment.objects.filter(vehicle__in=vehicles).order_by("fitted_on", "recorded_at", "id"))
    for case in cases:
        job = case.job
        until = job.closed_at
        own = [each for each in events if each.vehicle_id == job.vehicle_id and each.recorded_at >= job.opened_at]
        fitted = [each for each in fitments if each.vehicle_id == job.vehicle_id]
        case.__dict__["events"] = [each for each in own if until is None or each.recorded_at <= until]
        case.__dict__["fitments"] = [each for each in fitted if until is None or each.recorded_at <= until]


def _give_set_points(cases: Sequence[CaseFile]) -> None:
    """Baselines go by the vehicle; two open jobs of one would be judged by their own specifications."""
    contents = {case.job.pk: case.specification.content if case.specification else {} for case in cases}
    alone = {case.job.vehicle_id: case for case in cases}
    ranges = {
        vehicle: (contents[case.job.pk].get("setpoint_min"), contents[case.job.pk].get("setpoint_max"))
        for vehicle, case in alone.items()
    }
    baselines = baselines_of(ranges)
    previous = previous_setpoints_of([case.job for case in cases])
    for case in cases:
        if alone[case.job.vehicle_id] is case:
            case.__dict__["baseline"] = baselines[case.job.vehicle_id]
        case.__dict__["_previous_setpoints"] = previous[case.job.pk]
