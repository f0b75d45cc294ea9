"""Gauge studies out of jobs in which several people measured the same vehicle at the same set-points."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby
from typing import Final
from uuid import UUID

from django.db.models import Count

from fleet.actor import Actor
from fleet.models import Instrument, Membership

from ..metrology.corners import CORNERS
from ..metrology.gauge_study import GaugeStudy, study
from ..models import Job, Reading, Round
from ..rules.gauge_cells import BalancedCells, StudyReading, balanced_cells
from .jobs import visible_jobs
from .specifications import pure_specification

MOST_JOBS: Final = 30


@dataclass(frozen=True, slots=True)
class StudiedJob:
    """A job that several people measured, and the readings of its first set-points in their order."""

    job: Job
    readings: tuple[StudyReading, ...]
    measured_at: datetime

    @property
    def people(self) -> int:
        return len({each.person for each in self.readings})


@dataclass(frozen=True, slots=True)
class FoundStudy:
    """A study, and what it is of. `tolerance_mm` is the narrowest of those concerned."""

    jobs: tuple[StudiedJob, ...]
    cells: BalancedCells
    tolerance_mm: float
    study: GaugeStudy
    people: tuple[str, ...]
    left_out: tuple[str, ...]
    instruments: tuple[str, ...]
    """Serial numbers, where equipment is a factor."""


def studied_jobs(actor: Actor, wanted: Sequence[UUID] | None = None) -> list[StudiedJob]:
    """The newest jobs in which two or more people measured before the set-points changed; or those that are wanted."""
    jobs = visible_jobs(actor).filter(specification__isnull=False)
    if wanted is not None:
        jobs = jobs.filter(pk__in=wanted)
    measured = Reading.objects.filter(round__job__in=jobs.order_by().values("pk"), round__repeats=None)
    several = measured.order_by().values("round__job").annotate(people=Count("measured_by", distinct=True))
    candidates = several.filter(people__gte=2).values("round__job")
    found = [_studied(job) for job in jobs.filter(pk__in=candidates).order_by("-opened_at", "-id")[:MOST_JOBS]]
    return [each for each in found if each is not None and each.people >= 2]


def found_study(jobs: Sequence[StudiedJob]) -> FoundStudy | None:
    """The largest balanced study in these jobs' readings; None where there is none."""
    cells = balanced_cells(reading for each in jobs for reading in each.readings)
    if cells is None:
        return None
    tolerance_mm = min(_tolerance_mm(each.job) for each in jobs)
    names = dict(Membership.objects.filter(pk__in={*cells.people, *cells.left_out}).values_list("pk", "name"))
    serials = dict(Instrument.objects.filter(pk__in=cells.instruments).values_list("pk", "serial"))
    return FoundStudy(
        jobs=tuple(jobs),
        cells=cells,
        tolerance_mm=tolerance_mm,
        study=study(cells.deviations_mm, tolerance_mm),
        people=tuple(names[each] for each in cells.people),
        left_out=tuple(names[each] for each in cells.left_out),
        instruments=tuple(serials[each] for each in cells.instruments),
    )


def _studied(job: Job) -> StudiedJob | None:
    """The rounds from the first one on for as long as the set-points stayed the same."""
    rounds = Round.objects.filter(job=job, repeats=None, settled=True, ride_position="normal")
    in_order = list(rounds.order_by("happened_at", "recorded_at", "id"))
    if not in_order:
        return None
    _setpoints, first = next(groupby(in_order, key=lambda each: each.setpoints))
    standing = list(first)
    return StudiedJob(job, tuple(_readings(job, standing)), standing[-1].happened_at)


def _readings(job: Job, rounds: Iterable[Round]) -> Iterable[StudyReading]:
    assert job.specification is not None  # the query has looked
    targets = pure_specification(job.specification.content)
    for each in Reading.objects.filter(round__in=list(rounds), strikes=None).order_by(
        "recorded_at", "round", "ordinal"
    ):
        deviation = float(each.height_mm) - targets.target_mm(each.corner)  # type: ignore[arg-type]
        yield StudyReading((job.pk, each.corner), each.measured_by_id, each.instrument_id, deviation)


def _tolerance_mm(job: Job) -> float:
    assert job.specification is not None  # the query has looked
    specification = pure_specification(job.specification.content)
    return min(specification.tolerance_mm(corner) for corner in CORNERS)
