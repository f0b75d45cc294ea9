"""What was learned of responses: by a vehicle's own jobs, and by the vehicles of a model."""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from fleet.models import ServiceEvent, Specification

from ..metrology.corners import AXLES, CORNERS, Axle, Corner
from ..metrology.model_response import AxleDraw, prior_from_model
from ..metrology.response import ResponsePrior
from ..metrology.vehicle_response import KnownBefore, Visit, known_before, taught_by_visits
from ..models import OPEN_STATES, Job, ResponsePosterior
from ..rules.course import VOIDING_KINDS, with_linked
from .casefile import CaseFile
from .casefiles import case_files
from .specifications import count_base, pure_specification

Draws = dict[Axle, list[AxleDraw]]


@dataclass(frozen=True, slots=True, eq=False)
class Taught:
    """What a vehicle's closed jobs taught, the last one's specification, and which jobs count."""

    specification: Specification
    prior: ResponsePrior
    jobs: tuple[uuid.UUID, ...]


def taught_by_vehicle(vehicle_id: uuid.UUID, *, until: datetime | None = None) -> Taught | None:
    """From the facts alone, in the order of the visits; None where no job of the vehicle counts.

    Only jobs since the set-points last changed their meaning count: another range, kind, or set of corners. With
    `until`, only those that were closed by then.
    """
    closed = Job.objects.filter(vehicle=vehicle_id).exclude(state__in=OPEN_STATES)
    if until is not None:
        closed = closed.filter(closed_at__lte=until)
    in_order = closed.select_related("vehicle", "specification").order_by("opened_at", "id")
    cases = _of_one_base(case_files(in_order))
    if not cases or cases[-1].specification is None:
        return None
    specification = cases[-1].specification
    pure = pure_specification(specification.content)
    events = ServiceEvent.objects.filter(vehicle=vehicle_id, kind__in=VOIDING_KINDS).order_by("happened_at", "id")
    renewed: list[set[Corner]] = [set() for _ in range(len(cases) + 1)]
    for event in events:
        corners: Sequence[Corner] = CORNERS if not event.corner else (event.corner,)  # type: ignore[assignment]
        renewed[_visit_after(cases, event)] |= set(with_linked(tuple(corners), pure))
    visits = [_visit(case, corners) for case, corners in zip(cases, renewed, strict=False)]
    return Taught(
        specification,
        taught_by_visits(pure, visits, _ordered(renewed[-1])),
        tuple(case.job.pk for case in cases),
    )


def _of_one_base(cases: Sequence[CaseFile]) -> list[CaseFile]:
    """The latest jobs whose set-points mean the same."""
    found: list[CaseFile] = []
    for case in reversed(cases):
        if case.specification is None:
            continue
        if found and count_base(case.specification.content) != count_base(_content(found[-1])):
            break
        found.append(case)
    return found[::-1]


def _content(case: CaseFile) -> Mapping[str, Any]:
    assert case.specification is not None  # the caller has looked
    content: Mapping[str, Any] = case.specification.content
    return content


def _visit_after(cases: Sequence[CaseFile], event: ServiceEvent) -> int:
    """Place of the first visit that an event does not overtake.

    One within a job, on record there, divides that job itself; one that was recorded afterwards overtakes it whole.
    """
    for place, case in enumerate(cases):
        if event.happened_at < case.job.opened_at:
            return place
        assert case.job.closed_at is not None  # only closed jobs are asked for
        if case.job.opened_at <= event.recorded_at <= case.job.closed_at:
            return place
    return len(cases)


def _visit(case: CaseFile, renewed: set[Corner]) -> Visit:
    case.baseline = {}  # limits teach nothing, and each job's would be looked up by itself
    standing = case.standing
    return Visit(
        tuple(standing.course.history),
        _ordered(renewed),
        _ordered({suspicion.corner for suspicion in standing.suspicions}),
    )


def _ordered(corners: Iterable[Corner]) -> tuple[Corner, ...]:
    wanted = set(corners)
    return tuple(corner for corner in CORNERS if corner in wanted)


def taught_until_now(vehicle_id: uuid.UUID) -> Taught | None:
    """The row that is kept, or made anew where something was replaced at the vehicle since.

    Whatever else teaches is recorded within a job, which brings the row up to date itself.
    """
    own = ResponsePosterior.objects.filter(vehicle=vehicle_id).select_related("specification").first()
    if own is None:
        return None
    later = ServiceEvent.objects.filter(vehicle=vehicle_id, kind__in=VOIDING_KINDS, recorded_at__gt=own.known_at)
    if later.exists():
        return taught_by_vehicle(vehicle_id)
    prior = ResponsePrior(np.array(own.mean), np.array(own.covariance), "vehicle", 1)
    return Taught(own.specification, prior, tuple(uuid.UUID(job) for job in own.jobs))


def known_of(vehicle_id: uuid.UUID, specification: Specification, own: Taught | None) -> KnownBefore:
    """What a job of the vehicle by this specification starts from."""
    pure = pure_specification(specification.content)
    model = prior_from_model(pure, draws_of(specification, but=vehicle_id))
    if own is None or count_base(own.specification.content) != count_base(specification.content):
        return KnownBefore(model)
    return known_before(pure_specification(own.specification.content), own.prior, model)


def draws_of(specification: Specification, *, but: uuid.UUID | None = None) -> Draws:
    """What the vehicles of the specification's model say of it, by axle."""
    rows = posteriors_of(specification).exclude(vehicle=but) if but else posteriors_of(specification)
    draws: Draws = {axle: [] for axle in AXLES}
    for own in rows.values_list("draws", flat=True):
        for axle, (estimate, variance, factor) in own.items():
            draws[axle].append(AxleDraw(estimate, variance, factor))
    return draws


def posteriors_of(specification: Specification) -> Any:
    """Of the model's vehicles whose set-points mean the same; in the order in which they came on record."""
    found = ResponsePosterior.objects.filter(
        vehicle__vehicle_model=specification.vehicle_model_id, count_base=count_base(specification.content)
    )
    return found.order_by("vehicle")
