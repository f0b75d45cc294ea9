"""What happened in a job, as the rules see it: frozen facts in the order in which they happened."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from ..metrology.corners import Corner
from ..metrology.leak import ParkedHeights
from ..metrology.readings import Repeatability
from ..metrology.specification import Specification
from ..metrology.uncertainty import Instrument
from ..metrology.vehicle_response import KnownBefore

Setpoints = Mapping[Corner, int]
"""Counts of the controlled corners."""

State = Literal["open", "measuring", "adjusting", "paused", "signed_off", "ended", "reverted"]
CLOSED_STATES: frozenset[State] = frozenset({"signed_off", "ended", "reverted"})


@dataclass(frozen=True, slots=True)
class Fact:
    """`at` is when it happened (tablet time corrected by its clock offset), `recorded_at` when it arrived."""

    id: uuid.UUID
    at: datetime
    recorded_at: datetime
    recorded_by: uuid.UUID | None


@dataclass(frozen=True, slots=True)
class ReadinessChecked(Fact):
    outcomes: Mapping[str, str]
    notes: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class ReadingTaken:
    id: uuid.UUID
    corner: Corner
    height_mm: float
    measured_by: uuid.UUID
    instrument_id: uuid.UUID
    struck: bool


@dataclass(frozen=True, slots=True)
class RoundMeasured(Fact):
    taken_at: datetime
    setpoints: Setpoints
    ride_position: str
    settled: bool
    readings: tuple[ReadingTaken, ...]
    repeatability: Repeatability
    instruments: tuple[Instrument, ...]
    instrument_id: uuid.UUID
    settling_cut_short_s: int | None = None

    @property
    def is_judged(self) -> bool:
        """Only settled rounds at the normal ride position are judged."""
        return self.settled and self.ride_position == "normal"

    def heights_mm(self, corner: Corner) -> tuple[float, ...]:
        """Unstruck readings at a corner."""
        return tuple(each.height_mm for each in self.readings if each.corner == corner and not each.struck)


@dataclass(frozen=True, slots=True)
class Repeated(Fact):
    """An earlier round or write sent once more under another id: on record, and nothing is counted from it."""

    repeats: uuid.UUID
    readings: tuple[ReadingTaken, ...] = ()


@dataclass(frozen=True, slots=True)
class LeakTested(Fact):
    """Heights of the parked vehicle at two times; it happened when it ended."""

    start: ParkedHeights
    end: ParkedHeights
    instrument_id: uuid.UUID

    @property
    def started(self) -> datetime:
        """By the clock that its end counts by."""
        return self.at - timedelta(hours=self.end.hours - self.start.hours)


@dataclass(frozen=True, slots=True)
class ProposalMade(Fact):
    kind: Literal["computed", "entered", "reversion"]
    outcome: Literal["allowed", "needs_approval", "refused"]
    from_setpoints: Setpoints
    to_setpoints: Setpoints
    content_sha256: str


@dataclass(frozen=True, slots=True)
class WriteDone(Fact):
    proposal_id: uuid.UUID | None
    read_back: Setpoints
    verified: bool
    written_at: datetime


@dataclass(frozen=True, slots=True)
class ConcessionAsked(Fact):
    front_target_mm: float
    rear_target_mm: float


@dataclass(frozen=True, slots=True)
class ApprovalAsked(Fact):
    """`decision` is None while it is open; the rest belongs to the decision. `refused_by` is a name, else empty."""

    subject: Literal["proposal", "concession", "sign_off"]
    subject_id: uuid.UUID | None
    content_sha256: str
    decision: Literal["approve", "refuse"] | None = None
    decided_at: datetime | None = None
    decided_by: uuid.UUID | None = None
    self_approved: bool = False
    reason: str = ""
    refused_by: str = ""


@dataclass(frozen=True, slots=True)
class EventHappened(Fact):
    """A service event on the vehicle; `corner` is None where it is about the whole vehicle."""

    kind: str
    corner: Corner | None


@dataclass(frozen=True, slots=True)
class TyresFitted(Fact):
    pass


@dataclass(frozen=True, slots=True)
class Paused(Fact):
    pass


@dataclass(frozen=True, slots=True)
class Resumed(Fact):
    setpoints: Setpoints
    nothing_changed: bool


@dataclass(frozen=True, slots=True)
class ReversionBegun(Fact):
    goal: Setpoints


@dataclass(frozen=True, slots=True)
class Refiled(Fact):
    pass


@dataclass(frozen=True, slots=True)
class Ended(Fact):
    setpoints: Setpoints | None


@dataclass(frozen=True, slots=True)
class SignedOff(Fact):
    content_sha256: str


@dataclass(frozen=True, slots=True)
class FindingRaised:
    """A finding with its ruling, where there is one."""

    id: uuid.UUID
    key: str
    code: str
    severity: Literal["note", "review", "stop"]
    corner: Corner | None
    source_id: uuid.UUID | None
    recorded_at: datetime
    values: Mapping[str, object]
    ruling: Literal["accept", "reject"] | None = None
    ruling_id: uuid.UUID | None = None
    ruled_by: uuid.UUID | None = None
    ruled_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class TyreFault:
    """What speaks against a tyre now fitted: `tyre_not_listed` or `load_capacity_low`."""

    code: Literal["tyre_not_listed", "load_capacity_low"]
    corner: Corner
    fitment_id: uuid.UUID
    values: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class JobRecord:
    """Everything a job's rules depend on.

    `facts` are in the order in which they happened. `baseline` are the set-points from which shift limits count.
    `previous_setpoints` are those last read before this job, None where there are none or the control unit was
    replaced since. `earlier_goal` is where a job that reverts an earlier one is to go, `earlier_unwritten` what was
    last read in that one before anything was written, without corners worked on since. `tyre_faults` are those of
    the tyres now on the vehicle. `tyre_change_unrecorded`: the job was opened for a tyre change, and no tyres are on
    record as fitted since. `known_before` is what had been learned of the responses when it opened; None where nothing.
    """

    id: uuid.UUID
    opened_at: datetime
    opened_by: uuid.UUID
    closed_at: datetime | None
    state: State
    specification: Specification | None
    specification_id: uuid.UUID | None
    readiness_not_applicable: frozenset[str]
    pad_levels_mm: tuple[float, float, float, float] | None
    facts: tuple[Fact, ...]
    findings: tuple[FindingRaised, ...]
    baseline: Setpoints
    previous_setpoints: Setpoints | None = None
    earlier_goal: Setpoints | None = None
    earlier_unwritten: Setpoints | None = None
    tyre_faults: tuple[TyreFault, ...] = ()
    tyre_change_unrecorded: bool = False
    known_before: KnownBefore | None = None

    @property
    def is_closed(self) -> bool:
        return self.state in CLOSED_STATES
