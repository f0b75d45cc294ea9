"""Every change of a vehicle's set-points: written in a job, or found changed since they were last known."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal

from fleet.actor import Actor
from fleet.models import Vehicle

from ..metrology.corners import CORNERS, Corner
from ..metrology.readings import estimate
from ..models import JobEnd, Proposal, Reading, ReadingStrike, Resumption, Round, Write
from ..rules.wording import change_reason
from .jobs import visible_jobs

Heights = Mapping[tuple[uuid.UUID, Corner], float]
"""Settled height by round and corner, mm."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """A moment at which a vehicle's set-points were known."""

    id: uuid.UUID
    at: datetime
    recorded_at: datetime
    recorded_by: uuid.UUID | None
    job_id: uuid.UUID
    setpoints: Mapping[str, int]
    is_write: bool = False
    is_settled_round: bool = False
    proposal: Proposal | None = None

    @property
    def order(self) -> tuple[datetime, datetime, uuid.UUID]:
        return self.at, self.recorded_at, self.id


@dataclass(frozen=True, slots=True)
class SetpointChange:
    """One set-point that became another at one corner."""

    sighting: Sighting
    corner: Corner
    before: int
    after: int
    why: str | None
    round_before: uuid.UUID | None
    round_after: uuid.UUID | None

    @property
    def source(self) -> Literal["write", "found"]:
        return "write" if self.sighting.is_write else "found"

    @property
    def order(self) -> tuple[str, str, str]:
        """Sorts changes in time; unique."""
        return self.sighting.at.isoformat(), str(self.sighting.id), self.corner


def setpoint_changes(actor: Actor, vehicle: Vehicle) -> list[SetpointChange]:
    """The changes within the jobs that the actor may see, newest first."""
    jobs = visible_jobs(actor).filter(vehicle=vehicle).values("pk")
    sightings = sorted(_sightings(jobs), key=lambda each: each.order)
    found = [change for corner in CORNERS for change in _changes_at(corner, sightings)]
    return sorted(found, key=lambda each: each.order, reverse=True)


def heights_around(changes: Sequence[SetpointChange]) -> Heights:
    """The heights of the rounds before and after the given changes, struck readings left out."""
    wanted = {each for change in changes for each in (change.round_before, change.round_after) if each}
    rounds = Round.objects.filter(pk__in=wanted)
    struck = set(ReadingStrike.objects.filter(reading__round__in=wanted).values_list("reading", flat=True))
    readings: dict[tuple[uuid.UUID, str], list[float]] = {}
    for row in Reading.objects.filter(round__in=wanted).exclude(pk__in=struck):
        readings.setdefault((row.round_id, row.corner), []).append(float(row.height_mm))
    return {
        (row.pk, corner): _height_mm(row, readings[row.pk, corner])
        for row in rounds
        for corner in CORNERS
        if (row.pk, corner) in readings
    }


def _sightings(jobs: Any) -> Iterable[Sighting]:
    for measured in Round.objects.filter(job__in=jobs, repeats=None):
        is_settled = measured.settled and measured.ride_position == "normal"
        yield Sighting(
            **_common(measured, measured.happened_at), setpoints=measured.setpoints, is_settled_round=is_settled
        )
    for write in Write.objects.filter(job__in=jobs, repeats=None).select_related("proposal"):
        yield Sighting(
            **_common(write, write.happened_at), setpoints=write.read_back, is_write=True, proposal=write.proposal
        )
    for resumption in Resumption.objects.filter(job__in=jobs):
        yield Sighting(**_common(resumption, resumption.recorded_at), setpoints=resumption.setpoints)
    for end in JobEnd.objects.filter(job__in=jobs, setpoints__isnull=False):
        yield Sighting(**_common(end, end.recorded_at), setpoints=end.setpoints or {})


def _common(row: Round | Write | Resumption | JobEnd, at: datetime) -> dict[str, Any]:
    return {
        "id": row.pk,
        "at": at,
        "recorded_at": row.recorded_at,
        "recorded_by": row.recorded_by,
        "job_id": row.job_id,
    }


def _changes_at(corner: Corner, sightings: Sequence[Sighting]) -> list[SetpointChange]:
    known = [each for each in sightings if corner in each.setpoints]
    moves = [
        index for index in range(1, len(known)) if known[index].setpoints[corner] != known[index - 1].setpoints[corner]
    ]
    ends = [*moves[1:], len(known)] if moves else []
    return [
        SetpointChange(
            sighting=known[index],
            corner=corner,
            before=known[index - 1].setpoints[corner],
            after=known[index].setpoints[corner],
            why=_why(known[index], corner),
            round_before=_settled_round(reversed(known[:index]), known[index].job_id),
            round_after=_settled_round(known[index:end], known[index].job_id),
        )
        for index, end in zip(moves, ends, strict=True)
    ]


def _settled_round(sightings: Iterable[Sighting], job_id: uuid.UUID) -> uuid.UUID | None:
    return next((each.id for each in sightings if each.is_settled_round and each.job_id == job_id), None)


def _why(sighting: Sighting, corner: Corner) -> str | None:
    """The proposal's reason for this corner; for one entered by hand the person's own."""
    proposal = sighting.proposal
    if proposal is None:
        return None
    if proposal.justification:
        return proposal.justification
    change = proposal.content["changes"].get(corner)
    return change_reason(change) if change else None


def _height_mm(row: Round, readings: Sequence[float]) -> float:
    resolution = max(each["resolution_mm"] for each in row.instruments)
    return round(estimate(readings, row.repeatability["standard_deviation_mm"], resolution).value_mm, 2)
