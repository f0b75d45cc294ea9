"""Writes: what was stored in the vehicle and read back. A fact, whatever it was done on."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import datetime

from django.utils.translation import gettext as _

from fleet.actor import Actor
from fleet.errors import Invalid
from fleet.permissions import Permission

from ..metrology.corners import CORNERS, Corner
from ..models import Proposal, Write
from ..rules.arrivals import of_arrival, of_place, place_of
from ..rules.finding_kinds import Arrival
from ..rules.findings import of_setpoints, of_write
from ..rules.sightings import Sighting
from ..selectors.job_facts import write_fact
from .repeats import of_repeat, repeated_write
from .step import JobStep


def write_record(
    *,
    actor: Actor,
    record_id: uuid.UUID,
    job_id: uuid.UUID,
    proposal: Proposal | None,
    written_at: datetime,
    read_back: Mapping[str, int],
) -> Write:
    """Record a write with its read-back."""
    step = JobStep(actor, job_id, Permission.RECORD_FACTS)
    before = step.standing
    if proposal is not None and proposal.job_id != step.job.pk:
        raise Invalid.at("/proposal", "other_job", _("That proposal was made in another job. Name one of this job."))
    mismatches = _mismatches(proposal, read_back)
    arrival = Arrival("write", record_id, written_at + actor.clock_offset, actor.now)
    write = Write(
        id=record_id,
        **step.common(),
        proposal=proposal,
        written_at=written_at,
        read_back=dict(read_back),
        verified=not mismatches,
        mismatches=mismatches,
    )
    place = place_of(before.record, arrival, _sighting(arrival, write))
    write.happened_at = place.at
    write.repeats = repeated_write(step.case, write)
    found = of_arrival(before.record, arrival)
    if write.repeats is not None:
        found.append(of_repeat(arrival, write.repeats))
    else:
        found += of_place(arrival, place)
        found += of_write(before, arrival, write_fact(write), mismatches)
        found += of_setpoints(before.record, arrival, write.read_back, None)
    step.add(write, "writes")
    step.raise_findings(found)
    step.conclude("write_recorded", write)
    return write


def _sighting(arrival: Arrival, write: Write) -> Sighting:
    found = write.proposal.from_setpoints if write.proposal else None
    return Sighting(arrival.noted_at, found, write.read_back, write.proposal_id, failed=not write.verified)


def _mismatches(proposal: Proposal | None, read_back: Mapping[str, int]) -> list[Corner]:
    """Corners at which something else was read back than was to be stored."""
    if proposal is None:
        return []
    wanted = proposal.to_setpoints
    return [corner for corner in CORNERS if read_back.get(corner) != wanted.get(corner)]
