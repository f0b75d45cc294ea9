"""Readiness: every check is kept, the last outcome of an item counts."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from typing import Any

from fleet.actor import Actor
from fleet.permissions import Permission

from ..models import Readiness
from ..rules.arrivals import of_arrival
from ..rules.finding_kinds import Arrival
from .step import JobStep


def readiness_record(
    *, actor: Actor, record_id: uuid.UUID, job_id: uuid.UUID, checks: Mapping[str, Mapping[str, Any]]
) -> Readiness:
    """Record outcomes of readiness checks."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    before = step.case.record
    readiness = step.add(
        Readiness(id=record_id, **step.common(), checks={item: dict(check) for item, check in checks.items()}),
        "readiness",
    )
    step.raise_findings(of_arrival(before, Arrival("readiness", readiness.pk, actor.now, actor.now)))
    step.conclude("readiness_recorded", readiness)
    return readiness
