"""When a vehicle's heights came to be judged by another specification without a job: a revision took effect, or the
vehicle was found to be of another model.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime

from django.utils import timezone

from fleet.days import first_moment
from fleet.models import Specification, Vehicle

from ..metrology.drift_series import Respecified
from ..rules.check_due import CheckInterval
from ..rules.drift_course import Timed, basis_of, day_of
from .casefile import CaseFile
from .specifications import pure_specification


def respecified(
    vehicle: Vehicle, cases: Sequence[CaseFile], first: datetime, received_by: datetime | None
) -> Iterable[Timed]:
    """After the first observation, in no order.

    Revisions of the model that the vehicle has now; of earlier ones the jobs themselves tell. What falls into a job
    waits for its end; a concession holds until the next job opens, unless the vehicle gets another model.
    """
    since, until = vehicle.vehicle_model_since, received_by or timezone.now()
    if since is not None and since > until:
        return
    revisions = list(Specification.objects.filter(vehicle_model=vehicle.vehicle_model_id, recorded_at__lte=until))
    for at in sorted({max(_takes_effect(each), since or _takes_effect(each)) for each in revisions}):
        job = next((case for case in reversed(cases) if case.job.opened_at <= at), None)
        counts = at if job is None else max(at, job.job.closed_at or until)
        if at <= first or counts >= until or _is_in_bay(job, until):
            continue
        if job is not None and job.concessions and at != since:
            continue
        revision = _in_force(revisions, counts)
        content = revision.content
        basis = basis_of(pure_specification(content), CheckInterval.of(content))
        yield Timed(counts, max(counts, revision.recorded_at), Respecified(day_of(counts), basis))


def _is_in_bay(case: CaseFile | None, until: datetime) -> bool:
    return case is not None and (case.job.closed_at is None or case.job.closed_at > until)


def _takes_effect(revision: Specification) -> datetime:
    return max(first_moment(revision.effective_from), revision.recorded_at)


def _in_force(revisions: Sequence[Specification], at: datetime) -> Specification:
    """The one that took effect last of those known then."""
    known = [each for each in revisions if _takes_effect(each) <= at]
    return max(known, key=lambda each: (each.effective_from, each.revision))
