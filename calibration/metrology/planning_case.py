"""What a proposal depends on, and what a limit check, a prediction and a plan look like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .assessment import adjustable_corners, adjustable_sides
from .corners import AXLES, CORNERS, CORNERS_OF, Axle, Corner
from .errors import MetrologyError
from .pooling import RoundMeasurement, corner_rounds, pool_corner
from .response import Counts, JointState, PriorSource, Vector
from .specification import Specification
from .uncertainty import Budget, side_difference_budget

Four = tuple[float, float, float, float]
Changes = tuple[int, int, int, int]
LimitCode = Literal[
    "setpoint_range",
    "band",
    "step",
    "shift_review",
    "shift_limit",
    "warp_change",
    "not_significant",
    "away_from_target",
    "suspect_corner",
    "found_in_doubt",
]
Outcome = Literal["pass", "review", "refuse"]
ReasonCode = Literal[
    "moves_towards_target",
    "moves_for_side_difference",
    "moves_for_warp",
    "moves_for_the_whole",
    "moves_with_linked_corner",
    "stopped_by_setpoint_range",
    "stopped_by_band",
    "stopped_by_step",
    "stopped_by_shift_limit",
    "stopped_by_warp_change",
    "stays_nothing_significant",
    "stays_best_unmoved",
    "stays_suspect",
    "stays_not_adjustable_here",
    "stays_uncontrolled",
    "entered_towards_target",
    "entered_away_from_target",
    "entered_unmoved",
    "goes_back",
    "stays_gone_back",
]


@dataclass(frozen=True, slots=True)
class RoundUncertainty:
    """What a fresh round of the usual two readings a corner will be worth; corners in order, sides front,
    rear.

    `own_variance_mm2`: repeatability, settling and resolution of one round; `common_variance_mm2`: marks and
    instrument, common to all rounds of the job; `corner_expanded_mm` and `side_expanded_mm`: the U that the
    verdict on that round will use.
    """

    own_variance_mm2: Four
    common_variance_mm2: Four
    corner_expanded_mm: Four
    side_expanded_mm: tuple[float, float]


def fresh_round(latest: RoundMeasurement, settling_mm: float) -> RoundUncertainty:
    """What one further round of two readings by the same hand with the same instrument will be worth.

    Source: the budgets of `pooling` (GUM 5.1.2), taken apart into what is the round's own and what is common.

    >>> from .readings import PRIOR_REPEATABILITY
    >>> from .uncertainty import Instrument
    >>> tape = Instrument("T1", 1.0, "II")
    >>> measured = RoundMeasurement(((486.0, 486.0),) * 4, PRIOR_REPEATABILITY, (tape,))
    >>> round(fresh_round(measured, 1.5).own_variance_mm2[0], 3)
    1.333
    """
    budgets = [pool_corner((each[0].repeated(),), settling_mm).budget for each in corner_rounds([latest])]
    sides = [side_difference_budget(*(budgets[CORNERS.index(c)] for c in CORNERS_OF[axle])) for axle in AXLES]
    return RoundUncertainty(
        own_variance_mm2=_variances(budgets, common=False),
        common_variance_mm2=_variances(budgets, common=True),
        corner_expanded_mm=_of_corners([budget.expanded_uncertainty_mm for budget in budgets]),
        side_expanded_mm=(sides[0].expanded_uncertainty_mm, sides[1].expanded_uncertainty_mm),
    )


def _variances(budgets: list[Budget], *, common: bool) -> Four:
    return _of_corners(
        [
            sum(p.standard_uncertainty_mm**2 for p in budget.components if p.common_to_rounds == common)
            for budget in budgets
        ]
    )


def _of_corners(values: Sequence[float]) -> Four:
    a, b, c, d = values
    return a, b, c, d


@dataclass(frozen=True, slots=True)
class PlanningCase:
    """Everything a proposal depends on. A concession's targets are put into `specification` by the caller.

    `state`: posterior at the set-points now stored (`response.follow_job`); `baseline`: the set-points that
    shift limits count from; `freed`: corners that something significant frees (`CornerAssessment.freed`);
    `suspect`: corners that are not adjusted further until an event or a ruling (hard for everyone);
    `not_adjustable`, `sides_not_adjustable`: as handed to `assessment.assess`.
    """

    specification: Specification
    state: JointState
    baseline: Counts
    freed: tuple[Corner, ...]
    round_uncertainty: RoundUncertainty
    prior_source: PriorSource = "specification"
    prior_vehicles: int = 0
    suspect: tuple[Corner, ...] = ()
    not_adjustable: tuple[Corner, ...] = ()
    sides_not_adjustable: tuple[Axle, ...] = ()

    def __post_init__(self) -> None:
        for name, counts in (("state.setpoints", self.state.setpoints), ("baseline", self.baseline)):
            for corner, count in zip(CORNERS, counts, strict=True):
                if (count is not None) != (corner in self.specification.controlled_corners):
                    raise MetrologyError(f"{name} of {corner}", count, "a count at controlled corners only")

    @property
    def deviations_mm(self) -> Vector:
        """Expected height minus target, shape (4,)."""
        targets = np.array([self.specification.target_mm(corner) for corner in CORNERS])
        deviations: Vector = self.state.heights_mm - targets
        return deviations

    @property
    def adjustable_corners(self) -> tuple[Corner, ...]:
        """Corners that an adjustment can reach, in order."""
        reachable = adjustable_corners(self.specification, self.not_adjustable)
        return tuple(corner for corner in CORNERS if corner in reachable)

    @property
    def adjustable_sides(self) -> tuple[Axle, ...]:
        """Axles whose side difference an adjustment can change, front first."""
        reachable = adjustable_sides(self.specification, self.not_adjustable, self.sides_not_adjustable)
        return tuple(axle for axle in AXLES if axle in reachable)

    def setpoint(self, corner: Corner) -> int:
        """The count now stored at a controlled corner."""
        count = self.state.setpoints[CORNERS.index(corner)]
        assert count is not None  # checked above; callers ask about controlled corners
        return count

    def baseline_setpoint(self, corner: Corner) -> int:
        """The count that shift limits at a controlled corner count from."""
        count = self.baseline[CORNERS.index(corner)]
        assert count is not None  # checked above
        return count

    def setpoints_after(self, changes: Changes) -> Counts:
        """The set-points that changes lead to."""
        a, b, c, d = (
            None if count is None else count + change
            for count, change in zip(self.state.setpoints, changes, strict=True)
        )
        return a, b, c, d


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """One limit at one corner (`corner` None: the whole vehicle). `refuse` is hard, `review` needs approval.

    `value` and `limit` are counts. `warp_change`: mm. `not_significant`: |deviation| and its expanded
    uncertainty, mm. `away_from_target`: |expected deviation| after and before, mm. `suspect_corner`: the change
    and 0.
    """

    code: LimitCode
    corner: Corner | None
    outcome: Outcome
    value: float
    limit: float


@dataclass(frozen=True, slots=True)
class CornerReason:
    """Why a corner moves or stays: a code, the numbers behind it by name, and another code that also applies.

    | code | numbers |
    |---|---|
    | of a plan | `deviation_mm`, its `expanded_uncertainty_mm`, `expected_change_mm`, `side_difference_mm`, `warp_mm` |
    | `stopped_by_…` | also `wanted_counts` (without limits), `limit_counts` (`stopped_by_warp_change`: `limit_mm`) |
    | `entered_…` | `deviation_mm`, `expected_change_mm`, `expected_deviation_mm`, `further_mm` |
    | `goes_back`, `stays_gone_back` | none |

    `moves_towards_target`: its own deviation is significant; else `moves_for_side_difference` or `moves_for_warp`, the
    one of which its move takes most away, the others' moves given; `moves_for_the_whole`: neither.
    `stays_best_unmoved`: it may move, but every permitted count makes the sum worse. A stopped corner says in
    `also` whether it moves all the same.
    """

    corner: Corner
    code: ReasonCode
    numbers: dict[str, float]
    also: ReasonCode | None = None


@dataclass(frozen=True, slots=True)
class CornerRange:
    """Permitted changes of a controlled corner in counts, and which limit sets each end.

    0 is always permitted besides, also where a set-point already stands outside a limit and `low` > 0 or
    `high` < 0. `low` > `high`: nothing else is.
    """

    corner: Corner
    low: int
    high: int
    low_limit: LimitCode
    high_limit: LimitCode


@dataclass(frozen=True, slots=True)
class Prediction:
    """What changes are expected to do. Heights in mm with two-sided 95 % expanded uncertainty.

    `probability_within`: that the next round, pooled by itself after the write, is judged within.
    `probability_truly_within`: that the heights themselves then lie within tolerance.
    """

    changes: Changes
    heights_mm: Four
    expanded_uncertainty_mm: Four
    probability_within: float
    probability_truly_within: float
    warp_change_mm: float


@dataclass(frozen=True, slots=True)
class Plan:
    """The computed proposal. `changes` all 0: nothing to propose; the reasons and the two tuples say why.

    `setpoints` is what to write. Of an empty plan, `not_adjustable_here` are the freed corners that no whole
    count improves, limits or not (a linked pair off in opposite directions), and `limits_exhausted` those
    that stay because of a limit. `expected_writes` is 0 for an empty plan.
    """

    changes: Changes
    setpoints: Counts
    reasons: tuple[CornerReason, ...]
    ranges: tuple[CornerRange, ...]
    limits: tuple[LimitCheck, ...]
    prediction: Prediction
    expected_writes: int
    prior_source: PriorSource
    prior_vehicles: int
    not_adjustable_here: tuple[Corner, ...]
    limits_exhausted: tuple[Corner, ...]

    @property
    def is_empty(self) -> bool:
        """Whether nothing would be changed."""
        return not any(self.changes)
