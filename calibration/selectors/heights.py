"""The heights of a vehicle from round to round, each as it was judged when it was measured."""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import Any, Final

from fleet.actor import Actor
from fleet.models import Vehicle

from ..metrology.corners import AXLE_OF, CORNERS, Corner
from ..models import Assessment, Job, Reading, Round
from .jobs import visible_jobs

MOST_ROUNDS: Final = 60


@dataclass(frozen=True, slots=True)
class MeasuredHeight:
    """One corner in one round, mm. What nothing judged has its mean and neither uncertainty nor target."""

    height_mm: float
    expanded_uncertainty_mm: float | None = None
    target_mm: float | None = None
    tolerance_mm: float | None = None
    verdict: str | None = None


@dataclass(frozen=True, slots=True)
class MeasuredRound:
    round: Round
    job: Job
    heights: Mapping[Corner, MeasuredHeight]


def measured_rounds(actor: Actor, vehicle: Vehicle, most: int = MOST_ROUNDS) -> list[MeasuredRound]:
    """The newest rounds at the normal ride position in the jobs that the actor may see, oldest first.

    A judged round carries the heights of its whole pool, since that is what its verdict was about.
    """
    jobs = visible_jobs(actor).filter(vehicle=vehicle).values("pk")
    rounds = Round.objects.filter(job__in=jobs, repeats=None, ride_position="normal", settled=True)
    newest = list(rounds.select_related("job__specification").order_by("-happened_at", "-recorded_at", "-id")[:most])
    contents = _contents(newest)
    means = _means([each for each in newest if each.pk not in contents])
    return [
        MeasuredRound(each, each.job, _heights(contents.get(each.pk), means.get(each.pk, {}), each.job))
        for each in reversed(newest)
    ]


def _contents(rounds: Sequence[Round]) -> dict[uuid.UUID, Mapping[str, Any]]:
    """The last assessment made with each round."""
    found = Assessment.objects.filter(round__in=rounds).order_by("recorded_at", "id")
    return dict(found.values_list("round", "content"))


def _means(rounds: Sequence[Round]) -> dict[uuid.UUID, dict[Corner, float]]:
    """Plain means of the readings that were not struck."""
    if not rounds:
        return {}
    readings: dict[uuid.UUID, dict[Any, list[float]]] = defaultdict(lambda: defaultdict(list))
    for row in Reading.objects.filter(round__in=rounds, strikes__isnull=True):
        readings[row.round_id][row.corner].append(float(row.height_mm))
    return {key: {corner: fmean(found) for corner, found in each.items()} for key, each in readings.items()}


def _heights(
    content: Mapping[str, Any] | None, means: Mapping[Corner, float], job: Job
) -> dict[Corner, MeasuredHeight]:
    if content is None or job.specification is None:
        return {corner: MeasuredHeight(means[corner]) for corner in CORNERS if corner in means}
    return {corner: _judged(content["corners"][corner], corner, job) for corner in CORNERS}


def _judged(judged: Mapping[str, Any], corner: Corner, job: Job) -> MeasuredHeight:
    assert job.specification is not None  # the caller has looked
    return MeasuredHeight(
        height_mm=judged["mean_mm"],
        expanded_uncertainty_mm=judged["expanded_uncertainty_mm"],
        target_mm=judged["mean_mm"] - judged["deviation_mm"],
        tolerance_mm=float(job.specification.content[AXLE_OF[corner]]["tolerance_mm"]),
        verdict=judged["verdict"],
    )
