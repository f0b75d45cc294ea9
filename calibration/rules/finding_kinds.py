"""The kinds of findings with their severities, and a finding that is about to be recorded."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from ..metrology.corners import Corner

Severity = Literal["note", "review", "stop"]

TIME_ASSUMED = "time_assumed"
"""Of a height check of which only the day was noted."""
NOT_JUDGED_YET = "not_judged_yet"
JUDGED_LATER = "judged_later"
HEIGHT_NOT_CONFIRMED = "height_not_confirmed"
"""What holds of a height check that came before any specification of its day; none of it is stored."""
NOTES = frozenset(
    {
        "pair_disagrees",
        "large_warp",
        "floor_not_level",
        "leave_alone",
        "not_adjustable_here",
        "odometer_lower",
        "measured_before_readiness",
        "tyres_not_recorded",
        "noted_out_of_order",
        TIME_ASSUMED,
        NOT_JUDGED_YET,
        JUDGED_LATER,
    }
)
STOPS = frozenset(
    {
        "corner_not_responding",
        "corner_reversed",
        "corner_weak",
        "leak_outside",
        "limits_exhausted",
        "no_specification",
    }
)
REVIEWS = frozenset(
    {
        "setpoints_changed_elsewhere",
        "clock_wrong",
        "instrument_overdue",
        "instrument_withdrawn",
        "setpoint_out_of_range",
        "linked_setpoints_differ",
        "setpoints_incomplete",
        "write_without_proposal",
        "write_of_refused_proposal",
        "write_of_unapproved_proposal",
        "write_of_superseded_proposal",
        "write_not_verified",
        "writes_conflict",
        "rounds_disagree",
        "repeats_earlier_record",
        "leak_undecided",
        "leak_corner_rose",
        "leak_test_disturbed",
        "recorded_after_close",
        "tyre_not_listed",
        "load_capacity_low",
        HEIGHT_NOT_CONFIRMED,
    }
)
SEVERITIES: Mapping[str, Severity] = {
    **dict.fromkeys(NOTES, "note"),
    **dict.fromkeys(REVIEWS, "review"),
    **dict.fromkeys(STOPS, "stop"),
}


@dataclass(frozen=True, slots=True)
class NewFinding:
    """A finding to be recorded unless one with its key stands already."""

    code: str
    key: str
    corner: Corner | None = None
    source_type: str = ""
    source_id: uuid.UUID | None = None
    values: Mapping[str, Any] = field(default_factory=dict)

    @property
    def severity(self) -> Severity:
        return SEVERITIES[self.code]


@dataclass(frozen=True, slots=True)
class Arrival:
    """A fact that just arrived: what it is, and the server's time."""

    source_type: str
    source_id: uuid.UUID
    happened_at: datetime
    now: datetime

    @property
    def noted_at(self) -> datetime:
        """What has arrived has happened."""
        return min(self.happened_at, self.now)

    def finding(self, code: str, corner: Corner | None = None, **values: Any) -> NewFinding:
        key = ":".join(part for part in (code, corner or "", str(self.source_id)) if part)
        return NewFinding(code, key, corner, self.source_type, self.source_id, values)
