"""What was done and decided: writes, checks, findings, approvals, and how the job was closed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

from calibration.metrology.corners import Corner

Severity = Literal["note", "review", "stop"]
FindingStatus = Literal["note", "open", "settled"]


@dataclass(frozen=True, slots=True)
class SetpointSummary:
    """A controlled corner's stored counts."""

    as_found: int | None
    as_left: int | None
    baseline: int | None


@dataclass(frozen=True, slots=True)
class CornerWrite:
    """`intended` is None where the write had no proposal."""

    before: int
    intended: int | None
    read_back: int


@dataclass(frozen=True, slots=True)
class WriteEntry:
    """`repeats` numbers the write whose record this one is, received once more and not counted."""

    number: int
    written_at: datetime
    written_by: str
    verified: bool
    corners: dict[Corner, CornerWrite]
    proposal: Literal["computed", "entered", "reversion"] | None = None
    justification: str = ""
    repeats: int | None = None


@dataclass(frozen=True, slots=True)
class ReadinessEntry:
    """The last outcome of one item; an item never done is given as `not_done`, without person and time."""

    item: str
    outcome: Literal["pass", "fail", "not_done", "not_applicable"]
    note: str = ""
    checked_by: str = ""
    checked_at: datetime | None = None
    failed_at: datetime | None = None
    """When it had last failed before it passed."""
    failed_note: str = ""


@dataclass(frozen=True, slots=True)
class Ruling:
    decision: Literal["accept", "reject"]
    reason: str
    ruled_by: str
    ruled_at: datetime
    self_approved: bool = False


@dataclass(frozen=True, slots=True)
class FindingEntry:
    """`code` as in the interface; `detail` says what was seen, `settled` by what and whom it was overtaken.

    `note`: nothing is to be done about it. A ruling says by itself how and by whom a finding was settled.
    """

    code: str
    severity: Severity
    detail: str
    corner: Corner | None = None
    ruling: Ruling | None = None
    status: FindingStatus = "open"
    settled: str = ""


@dataclass(frozen=True, slots=True)
class ApprovalEntry:
    """`self_approved`: by the only person of a one-person workshop, after the consequences were shown."""

    subject: Literal["proposal", "concession", "sign_off"]
    decision: Literal["approve", "refuse"]
    reason: str
    decided_by: str
    role: str
    decided_at: datetime
    self_approved: bool = False
    content_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Concession:
    """Targets other than the specification's, for this job; its approval is among the approvals."""

    front_target_mm: float
    rear_target_mm: float
    reason: str
    acknowledged_by: str
    acknowledged_on: date


@dataclass(frozen=True, slots=True)
class EventEntry:
    """Something done to the vehicle within the job (`sensor_replaced`, `leak_repaired`, ...)."""

    kind: str
    happened_at: datetime
    corner: Corner | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """A figure as found and as left."""

    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Consequences:
    """What the change of heights did to the vehicle, from as found to as left; members named as in the interface.

    A figure is None where the specification does not give the lengths that it takes.
    """

    heave_change_mm: float
    pitch_change_mm: float
    roll_change_mm: float
    warp_change_mm: float
    ground_clearance_change_mm: float
    headlamp_inclination_change_pct: float
    ground_clearance_mm: BeforeAfter | None = None
    headlamp_height_mm: BeforeAfter | None = None
    headlamp_inclination_pct: BeforeAfter | None = None
    static_stability_factor: BeforeAfter | None = None
    approach_deg: BeforeAfter | None = None
    departure_deg: BeforeAfter | None = None
    breakover_deg: BeforeAfter | None = None


@dataclass(frozen=True, slots=True)
class FollowUp:
    """Further work; known codes: headlamp_aim, wheel_alignment, driver_assistance, not_adjustable_here."""

    code: str
    detail: str = ""
    corner: Corner | None = None


@dataclass(frozen=True, slots=True)
class Ending:
    """Why, by whom and when a job was ended, or its return was decided, and what has to be mended (one sentence each).

    Nobody signs it: `content_sha256` is the hash of the record as it then stood.
    """

    reason: str
    ended_by: str
    to_mend: tuple[str, ...] = ()
    role: str = ""
    ended_at: datetime | None = None
    content_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Replacement:
    """What a document replaces, and why; without a name where the service itself replaced it."""

    number: str
    reason: str
    asked_by: str = ""
    asked_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Signature:
    """`meaning` is a code: work_complete or approval."""

    name: str
    role: str
    meaning: str
    signed_at: datetime
    content_sha256: str
