"""When a vehicle's set-points were known in a job, and whether a record's noted time goes with that."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from ..metrology.corners import Corner
from ..metrology.specification import Specification
from .record import (
    Ended,
    EventHappened,
    Fact,
    JobRecord,
    ProposalMade,
    Resumed,
    RoundMeasured,
    Setpoints,
    WriteDone,
)


@dataclass(frozen=True, slots=True)
class Sighting:
    """The set-points that a fact found and those that it left; None where they are not known.

    `proposal_id` is that of a write which carried one out, `failed` says that it read something else back.
    """

    at: datetime
    found: Setpoints | None
    left: Setpoints | None
    proposal_id: uuid.UUID | None = None
    failed: bool = False


def sighting_of_round(at: datetime, setpoints: Setpoints) -> Sighting:
    return Sighting(at, setpoints, setpoints)


def sightings(record: JobRecord) -> list[Sighting]:
    """Those of a job in order, behind them the one that it began with.

    A write without a proposal found what was known before it, as far as anybody knows. Another control unit leaves
    nothing known; one that came before the job opened was known of already.
    """
    proposals = {each.id: each.from_setpoints for each in record.facts if isinstance(each, ProposalMade)}
    known = [Sighting(datetime.min.replace(tzinfo=record.opened_at.tzinfo), None, record.previous_setpoints)]
    for fact in record.facts:
        seen = _sighting(fact, proposals, known[-1].left)
        if seen is not None and not (seen.left is None and fact.at < record.opened_at):
            known.append(seen)
    return known


def _sighting(
    fact: Fact, started_from: Mapping[uuid.UUID, Setpoints], known_before: Setpoints | None
) -> Sighting | None:
    match fact:
        case RoundMeasured() | Resumed():
            return sighting_of_round(fact.at, fact.setpoints)
        case Ended() if fact.setpoints is not None:
            return sighting_of_round(fact.at, fact.setpoints)
        case WriteDone():
            found = started_from.get(fact.proposal_id) if fact.proposal_id else known_before
            return Sighting(fact.at, found, fact.read_back, fact.proposal_id, failed=not fact.verified)
        case EventHappened(kind="control_unit_replaced"):
            return Sighting(fact.at, None, None)
        case _:
            return None


def last_known_setpoints(record: JobRecord, at: datetime) -> Setpoints | None:
    """What a fact at that time should have read; None where nothing is known or the control unit was replaced since.

    A count that the control unit cannot hold was misread: by who only looked, and what was known before still is; after
    a write, and nothing is known at that corner.
    """
    known: dict[Corner, int] = {}
    for seen in sightings(record):
        if seen.at > at:
            break
        only_looked = seen.left is not None and seen.found == seen.left
        known = {**(known if only_looked else {}), **_possible(seen.left or {}, record.specification)}
    return known or None


def _possible(setpoints: Setpoints, specification: Specification | None) -> Setpoints:
    if specification is None:
        return setpoints
    return {corner: count for corner, count in setpoints.items() if is_possible(setpoints, corner, specification)}


def is_possible(setpoints: Setpoints, corner: Corner, specification: Specification) -> bool:
    """Whether the control unit can hold what was read at a corner: in its range, the same where it is linked."""
    if corner not in setpoints or corner not in specification.controlled_corners:
        return False
    partner = specification.linked_with(corner)
    in_range = specification.setpoint_min <= setpoints[corner] <= specification.setpoint_max
    return in_range and (partner is None or setpoints.get(partner) == setpoints[corner])


def _before(known: list[Sighting], at: datetime) -> Sighting:
    return [each for each in known if each.at <= at][-1]


def contradiction(record: JobRecord, new: Sighting) -> Sighting | None:
    """What happened after the time noted for a new fact and cannot have, had this one happened then.

    Clocks of two tablets differ and times are noted by hand, so that a write may be noted before a round that was
    measured before it. The set-points tell: the next time that they were seen they must be what this fact left. Where
    it left what was there already the next one is none the wiser; but then a write must have started from there too,
    or where it says not from where, what it left must still be there.
    """
    known = sightings(record)
    after = next((each for each in known if each.at > new.at), None)
    if after is None:
        return None
    before = _before(known, new.at)
    if before.left is None or not _agree(before.left, new.left):
        fits = _follows(after, new)
    else:
        fits = _follows(new, before) if new.found is not None else _agree(new.left, known[-1].left)
    return None if fits else after


def _follows(later: Sighting, earlier: Sighting) -> bool:
    """Whether one can come right after the other. A try that failed is followed by another of the same proposal."""
    tried_again = later.proposal_id is not None and later.proposal_id == earlier.proposal_id
    return _agree(earlier.left, later.found) or (tried_again and (earlier.failed or later.left == earlier.left))


def _agree(one: Setpoints | None, other: Setpoints | None) -> bool:
    """Nothing is known on one side, or what was read on both is the same."""
    return one is None or other is None or all(one[corner] == other[corner] for corner in one.keys() & other.keys())
