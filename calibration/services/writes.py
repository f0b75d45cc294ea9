"""Writes: what was stored in the vehicle and read back. A fact, whatever it was done on."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime

from fleet.actor import Actor
from fleet.ids import new_id
from fleet.permissions import Permission

from ..metrology.corners import CORNERS, Corner
from ..models import Proposal, Write
from ..rules.findings import Arrival, of_arrival, of_setpoints, of_write
from ..selectors.casefile import write_fact
from .proposals import propose_reversion
from .step import JobStep


def write_record(
    *,
    actor: Actor,
    id: uuid.UUID,
    job_id: uuid.UUID,
    proposal: Proposal | None,
    written_at: datetime,
    read_back: Mapping[str, int],
) -> Write:
    """Record a write with its read-back; a reversion under way then gets its next proposal."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    before = step.standing
    mismatches = _mismatches(proposal, read_back)
    write = Write(
        id=id,
        **step.common(),
        proposal=proposal,
        written_at=written_at,
        happened_at=written_at + actor.clock_offset,
        read_back=dict(read_back),
        verified=not mismatches,
        mismatches=mismatches,
    )
    arrival = Arrival("write", write.pk, write.happened_at, actor.now)
    step.add(write, "writes")
    step.raise_findings(
        [
            *of_arrival(before.record, arrival),
            *of_write(before, arrival, write_fact(write), mismatches),
            *of_setpoints(before.record, arrival, write.read_back, None),
        ]
    )
    _go_on_reverting(step, write)
    step.conclude("write_recorded", write)
    return write


def _mismatches(proposal: Proposal | None, read_back: Mapping[str, int]) -> list[Corner]:
    """Corners at which something else was read back than was to be stored."""
    if proposal is None:
        return []
    wanted = proposal.to_setpoints
    return [corner for corner in CORNERS if read_back.get(corner) != wanted.get(corner)]


def _go_on_reverting(step: JobStep, write: Write) -> None:
    standing = step.standing
    if standing.reversion is None or standing.reversion_arrived or not write.verified or not step.job.is_open:
        return
    if standing.open_proposal is None:
        propose_reversion(step, new_id())
