"""The set-point changes that are expected to bring every corner within tolerance, inside every limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .corners import Corner
from .response import Counts, JointState, PriorSource
from .specification import Specification

Four = tuple[float, float, float, float]
Changes = tuple[int, int, int, int]
LimitCode = Literal[
    "setpoint_range", "band", "step", "shift_review", "shift_limit", "warp_change", "not_significant",
    "linked_corners", "uncontrolled_corner",
]
Outcome = Literal["pass", "review", "refuse"]
ReasonCode = Literal[
    "moves_towards_target",        # numbers: deviation_mm, expected_change_mm
    "moves_for_side_difference",   # its side is significant: difference_mm, expected_change_mm
    "moves_with_linked_corner",    # moves because its partner does
    "stopped_by_step",             # moves as far as the step limit allows: limit_counts, wanted_counts
    "stopped_by_band",
    "stopped_by_setpoint_range",
    "stopped_by_shift_limit",
    "stopped_by_warp_change",
    "stays_nothing_significant",   # deviation_mm, expanded_uncertainty_mm
    "stays_best_unmoved",          # freed, but every whole count makes the sum worse
    "stays_uncontrolled",
]


@dataclass(frozen=True, slots=True)
class RoundUncertainty:
    """What a fresh round of the usual two readings a corner will be worth; in the order of `CORNERS`, sides front, rear.

    `own_variance_mm2`: repeatability, settling and resolution of one round; `common_variance_mm2`: marks and
    instrument, common to all rounds of the job; `corner_expanded_mm` and `side_expanded_mm`: the U that the
    verdict on that round will use.
    """

    own_variance_mm2: Four
    common_variance_mm2: Four
    corner_expanded_mm: Four
    side_expanded_mm: tuple[float, float]


@dataclass(frozen=True, slots=True)
class PlanningCase:
    """Everything a proposal depends on. A concession's targets are put into `specification` by the caller.

    `state`: posterior at the set-points now stored (`response.follow_job`); `baseline`: set-points from which the shift
    limits count; `freed`: corners that something significant frees (`freed_corners`); `stopped`: suspect
    corners, which are not adjusted (hard for everyone).
    """

    specification: Specification
    state: JointState
    baseline: Counts
    freed: tuple[Corner, ...]
    round_uncertainty: RoundUncertainty
    prior_source: PriorSource = "specification"
    prior_vehicles: int = 0
    stopped: tuple[Corner, ...] = ()


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """One limit at one corner (`corner` None: the whole vehicle). `refuse` is hard, `review` needs approval."""

    code: LimitCode
    corner: Corner | None
    outcome: Outcome
    value: float
    limit: float


@dataclass(frozen=True, slots=True)
class CornerReason:
    """Why a corner moves or stays: a code, the numbers behind it by name, other codes that also apply."""

    corner: Corner
    code: ReasonCode
    numbers: dict[str, float]
    also: tuple[ReasonCode, ...] = ()


@dataclass(frozen=True, slots=True)
class CornerRange:
    """Permitted changes of a corner, counts, and the limit that sets each end."""

    corner: Corner
    low: int
    high: int
    low_limit: LimitCode
    high_limit: LimitCode


@dataclass(frozen=True, slots=True)
class Prediction:
    """What changes are expected to do. Heights in mm, two-sided 95 % expanded uncertainty.

    `probability_within`: that the next round, pooled by itself after the write, is judged within.
    """

    changes: Changes
    heights_mm: Four
    expanded_uncertainty_mm: Four
    probability_within: float
    warp_change_mm: float
    expected_cost: float


@dataclass(frozen=True, slots=True)
class Plan:
    """The computed proposal. `changes` all 0: nothing to propose, see the two tuples and the reasons why.

    `setpoints` is what to write. `not_adjustable_here`: corners outside that no permitted count can improve;
    `limits_exhausted`: corners that a limit, not the optimum, keeps from moving although moving would improve.
    """

    changes: Changes
    setpoints: Counts
    reasons: tuple[CornerReason, CornerReason, CornerReason, CornerReason]
    ranges: tuple[CornerRange, ...]
    prediction: Prediction
    expected_writes: int
    limits: tuple[LimitCheck, ...]
    prior_source: PriorSource
    prior_vehicles: int
    not_adjustable_here: tuple[Corner, ...]
    limits_exhausted: tuple[Corner, ...]

    @property
    def is_empty(self) -> bool:
        """Whether nothing would be changed."""
        return not any(self.changes)


def freed_corners(
    specification: Specification, significant_corners: tuple[Corner, ...], significant_sides: tuple[str, ...]
) -> tuple[Corner, ...]:
    """Corners that may move: |d| > U at the corner, or at its side, or at the corner it is linked with."""
    raise NotImplementedError


def compute_plan(case: PlanningCase) -> Plan:
    """Exact integer optimum of section 6, its prediction, its limits and the reasons."""
    raise NotImplementedError


def predict(case: PlanningCase, changes: Changes) -> Prediction:
    """Prediction for any changes, for example of a hand-entered proposal."""
    raise NotImplementedError


def check_limits(
    case: PlanningCase, changes: Changes, *, kind: Literal["computed", "entered", "reversion"]
) -> tuple[LimitCheck, ...]:
    """All limit checks of a proposal; `reversion` knows only set-point range and step."""
    raise NotImplementedError


def reversion_changes(specification: Specification, current: Counts, as_found: Counts) -> Changes:
    """The next step-limited changes on the way back to the as-found set-points; all 0 when there."""
    raise NotImplementedError
