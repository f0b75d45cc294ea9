"""Height checks that came before any specification was in force on their day: the revision that judges them later.

Nothing is stored of it. Checks and revisions are never changed and say when they came, so that it follows from them.
"""

from __future__ import annotations

import uuid
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from fleet.models import Specification, Vehicle

from ..models import HeightCheck
from .check_days import day_measured


@dataclass(frozen=True, slots=True)
class LaterRevision:
    """`known_at`: when it was recorded, or the vehicle found to be of its model, whichever came last."""

    revision: Specification
    known_at: datetime


def later_revisions(checks: Iterable[HeightCheck], as_of: datetime | None = None) -> Mapping[uuid.UUID, LaterRevision]:
    """By check, of those that came without a revision; `as_of`: as it was known then. At most one query."""
    waiting = [each for each in checks if each.specification_id is None]
    if not waiting:
        return {}
    of_models: dict[uuid.UUID, list[Specification]] = defaultdict(list)
    for revision in Specification.objects.filter(vehicle_model__in={each.vehicle.vehicle_model_id for each in waiting}):
        of_models[revision.vehicle_model_id].append(revision)
    found = {
        each.pk: first_known(each.vehicle, of_models[each.vehicle.vehicle_model_id], day_measured(each))
        for each in waiting
    }
    return {
        key: later for key, later in found.items() if later is not None and (as_of is None or later.known_at <= as_of)
    }


def first_known(vehicle: Vehicle, revisions: Sequence[Specification], day: date) -> LaterRevision | None:
    """The first that came on record of those in force on a day, as a job takes its first; none recorded after it
    changes that. Of several that were there when the vehicle got its model, the one that took effect last.
    """
    since = vehicle.vehicle_model_since
    known = [
        LaterRevision(each, max(each.recorded_at, since or each.recorded_at))
        for each in revisions
        if each.effective_from <= day
    ]
    return min(
        known,
        key=lambda each: (each.known_at, -each.revision.effective_from.toordinal(), -each.revision.revision),
        default=None,
    )
