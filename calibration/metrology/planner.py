"""The set-point changes that are expected to bring every corner within tolerance, inside every limit (section 6)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product
from typing import cast

import numpy as np

from .corners import AXLE_OF, CORNERS, CORNERS_OF, Corner
from .integer_quadratic import FEASIBLE, IntegerQuadratic, minimise, preferred, tie_width
from .limits import ProposalKind, check_limits, permitted_range, reversion_changes
from .planning_case import (
    Changes,
    CornerRange,
    CornerReason,
    LimitCheck,
    LimitCode,
    Plan,
    PlanningCase,
    Prediction,
    ReasonCode,
    RoundUncertainty,
    fresh_round,
)
from .prediction import COVERAGE_FACTOR, predict, quadratic_in_changes, warp_change_mm
from .response import SIDE_SIGNS, WARP_SIGNS, Matrix, Vector

__all__ = [
    "Changes",
    "CornerRange",
    "CornerReason",
    "LimitCheck",
    "LimitCode",
    "Plan",
    "PlanningCase",
    "Prediction",
    "ProposalKind",
    "ReasonCode",
    "RoundUncertainty",
    "check_limits",
    "compute_plan",
    "fresh_round",
    "optimal_changes",
    "permitted_range",
    "predict",
    "reversion_changes",
]

NO_CHANGE: Changes = (0, 0, 0, 0)
EVEN_CHANCE = 0.5


def compute_plan(case: PlanningCase) -> Plan:
    """The exact whole-number optimum, its prediction, its limit checks and the reasons.

    One further optimum without step, shift, band and warp limits says what those limits cost.

    Ties: the least movement Σ|Δ|, then corner order (the corner that comes first moves), then upwards in counts.
    """
    changes = optimal_changes(case)
    wanted = _unlimited_changes(case)
    controlled = [corner for corner in CORNERS if corner in case.specification.controlled_corners]
    ranges = tuple(permitted_range(case, corner) for corner in controlled)
    reasons = tuple(_reason(case, corner, changes, wanted) for corner in CORNERS)
    prediction = predict(case, changes)
    return Plan(
        changes=changes,
        setpoints=case.setpoints_after(changes),
        reasons=reasons,
        ranges=ranges,
        limits=check_limits(case, changes, kind="computed"),
        prediction=prediction,
        expected_writes=_expected_writes(case, prediction, wanted),
        prior_source=case.prior_source,
        prior_vehicles=case.prior_vehicles,
        not_adjustable_here=() if any(changes) else _beyond_any_count(case, reasons),
        limits_exhausted=() if any(changes) else _kept_by_a_limit(reasons),
    )


def _beyond_any_count(case: PlanningCase, reasons: tuple[CornerReason, ...]) -> tuple[Corner, ...]:
    """Freed corners that stay although no limit stops them, and that section 3 cannot go on with.

    Linked corners always; others only outside tolerance, where one count is too coarse.
    """

    def is_beyond(corner: Corner) -> bool:
        off = abs(float(case.deviations_mm[CORNERS.index(corner)]))
        linked = case.specification.linked_with(corner) is not None
        return linked or off > case.specification.tolerance_mm(corner)

    best_unmoved = [reason.corner for reason in reasons if reason.code == "stays_best_unmoved"]
    return tuple(corner for corner in best_unmoved if is_beyond(corner))


def _kept_by_a_limit(reasons: tuple[CornerReason, ...]) -> tuple[Corner, ...]:
    return tuple(reason.corner for reason in reasons if reason.code.startswith("stopped_by"))


def optimal_changes(case: PlanningCase) -> Changes:
    """The permitted whole-count changes with the smallest expected sum of squares; counts, in corner order.

    A set-point that already stands outside a limit may stay or move inside, so each such corner doubles the
    problems.
    """
    quadratic, linear, _ = quadratic_in_changes(case)
    found = [NO_CHANGE]
    for problem in _problems(case, quadratic, linear):
        best = minimise(problem.quadratic, problem.movement)
        if best is not None:
            found.append(_as_changes(problem.spread @ best))
    points = np.array(found, dtype=np.float64)
    values = np.einsum("ij,ij->i", points @ quadratic + linear, points)
    tied = points[values <= values.min() + tie_width(float(values.min()))]
    return _as_changes(preferred(tied, np.ones(4)))


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """One box: `spread` (4, n) maps variables to corners, `movement` (n,) counts corners per variable."""

    quadratic: IntegerQuadratic
    spread: Matrix
    movement: Vector


def _movable_groups(case: PlanningCase) -> list[tuple[Corner, ...]]:
    """Corners that move together and are free to: one variable of the problem each."""
    groups: list[tuple[Corner, ...]] = []
    for corner in case.adjustable_corners:
        partner = case.specification.linked_with(corner)
        group = (corner,) if partner is None else tuple(c for c in CORNERS if c in (corner, partner))
        free = set(group) & set(case.freed) and not set(group) & set(case.suspect)
        if free and group not in groups and _responds(case, group):
            groups.append(group)
    return groups


def _responds(case: PlanningCase, group: tuple[Corner, ...]) -> bool:
    """Whether a change could have any effect that is known of: response or its variance above 0."""
    rows = [CORNERS.index(corner) for corner in group]
    known = np.abs(case.state.responses[rows]) + case.state.response_covariance[rows, rows]
    return bool(known.max() > 0)


def _problems(case: PlanningCase, quadratic: Matrix, linear: Vector) -> list[_Problem]:
    """The box of permitted changes, or several where 0 lies outside a corner's range."""
    groups = _movable_groups(case)
    choices = [_group_choices(case, group) for group in groups]
    problems = []
    for combination in product(*choices):
        moving = [(g, box) for g, box in zip(groups, combination, strict=True) if box != (0, 0)]
        if moving:
            spread = _spread([group for group, _ in moving])
            problems.append(_problem(case, spread, [box for _, box in moving], quadratic, linear))
    return problems


def _spread(groups: list[tuple[Corner, ...]]) -> Matrix:
    """Maps one variable per group to the four corners, shape (4, n)."""
    return np.array([[float(corner in group) for group in groups] for corner in CORNERS])


def _group_choices(case: PlanningCase, group: tuple[Corner, ...]) -> list[tuple[int, int]]:
    """Boxes of one variable: its permitted range, and no change where that lies outside the range."""
    ranges = [permitted_range(case, corner) for corner in group]
    low, high = max(r.low for r in ranges), min(r.high for r in ranges)
    if low <= 0 <= high:
        return [(low, high)]
    return [(0, 0)] + ([(low, high)] if low <= high else [])


def _problem(
    case: PlanningCase, spread: Matrix, boxes: list[tuple[int, int]], quadratic: Matrix, linear: Vector
) -> _Problem:
    low, high = np.array(boxes, dtype=np.float64).T
    warp = (WARP_SIGNS * case.state.responses / 2.0) @ spread
    limit = case.specification.warp_change_max_mm
    reduced = spread.T @ quadratic @ spread
    return _Problem(IntegerQuadratic(reduced, linear @ spread, low, high, warp, limit), spread, spread.sum(axis=0))


def _unlimited_changes(case: PlanningCase) -> Vector:
    """What the sum alone would choose, limits left aside: shape (4,), whole counts."""
    groups = _movable_groups(case)
    if not groups:
        return np.zeros(4)
    spread = _spread(groups)
    quadratic, linear, _ = quadratic_in_changes(case)
    best: Vector = spread @ np.linalg.solve(2.0 * spread.T @ quadratic @ spread, -linear @ spread)
    return np.rint(best)


def _expected_writes(case: PlanningCase, prediction: Prediction, wanted: Vector) -> int:
    """Writes that step and warp limits make necessary; one more where a single one would more likely miss.

    0 when nothing is to be changed. Later writes know the responses better than the first, so none is added
    for them. What band, range and shift limit keep out of reach is not counted.
    """
    if not any(prediction.changes):
        return 0
    ranges = {corner: permitted_range(case, corner, step_limited=False) for corner in case.adjustable_corners}
    reachable = [
        abs(np.clip(count, ranges[corner].low, ranges[corner].high))
        for corner, count in zip(CORNERS, wanted, strict=True)
        if count and corner in ranges and ranges[corner].low <= 0 <= ranges[corner].high
    ]
    writes = math.ceil(max(reachable, default=0) / case.specification.step_max_counts)
    if case.specification.warp_change_max_mm > 0:
        warp = abs(warp_change_mm(case, _as_changes(wanted)))
        writes = max(writes, math.ceil(warp / case.specification.warp_change_max_mm))
    single = writes <= 1
    return 2 if single and prediction.probability_truly_within < EVEN_CHANCE else max(writes, 1)


def _reason(case: PlanningCase, corner: Corner, changes: Changes, wanted: Vector) -> CornerReason:
    i = CORNERS.index(corner)
    numbers = _numbers(case, corner, changes)
    if corner not in case.specification.controlled_corners:
        return CornerReason(corner, "stays_uncontrolled", numbers)
    if corner not in case.adjustable_corners:
        return CornerReason(corner, "stays_not_adjustable_here", numbers)
    if _group_of(case, corner) & set(case.suspect):
        return CornerReason(corner, "stays_suspect", numbers)
    if not _group_of(case, corner) & set(case.freed):
        return CornerReason(corner, "stays_nothing_significant", numbers)
    moving = _moving_code(case, corner, numbers, changes) if changes[i] else None
    stop = _stopping_limit(case, corner, changes, int(wanted[i]))
    if stop is not None:
        code, limit = stop
        return CornerReason(corner, code, {**numbers, "wanted_counts": float(wanted[i]), **limit}, moving)
    return CornerReason(corner, moving or "stays_best_unmoved", numbers)


def _numbers(case: PlanningCase, corner: Corner, changes: Changes) -> dict[str, float]:
    i = CORNERS.index(corner)
    left, right = (CORNERS.index(c) for c in CORNERS_OF[AXLE_OF[corner]])
    deviations = case.deviations_mm
    variance = case.state.height_covariance[i, i] + case.round_uncertainty.common_variance_mm2[i]
    return {
        "deviation_mm": float(deviations[i]),
        "expanded_uncertainty_mm": COVERAGE_FACTOR * math.sqrt(variance),
        "expected_change_mm": float(case.state.responses[i] * changes[i]),
        "side_difference_mm": float(deviations[left] - deviations[right]),
        "warp_mm": float(WARP_SIGNS @ deviations / 2.0),
    }


def _group_of(case: PlanningCase, corner: Corner) -> set[Corner]:
    partner = case.specification.linked_with(corner)
    return {corner} if partner is None else {corner, partner}


def _moving_code(case: PlanningCase, corner: Corner, numbers: Mapping[str, float], changes: Changes) -> ReasonCode:
    """Its own deviation, where that is significant; else what its move lowers most, the others' moves given."""
    i, moves = CORNERS.index(corner), case.state.responses * np.array(changes)
    after = case.deviations_mm + moves
    nearer = abs(after[i]) < abs(case.deviations_mm[i])
    if nearer and abs(numbers["deviation_mm"]) > numbers["expanded_uncertainty_mm"]:
        return "moves_towards_target"
    if case.specification.linked_with(corner):
        return "moves_towards_target" if nearer else "moves_with_linked_corner"
    without = after - moves * (np.arange(len(CORNERS)) == i)
    gains = {code: float(row @ without) ** 2 - float(row @ after) ** 2 for code, row in _shared_terms(case, corner)}
    best = max(gains, key=gains.__getitem__, default=None)
    if best is not None and gains[best] > 0:
        return best
    return "moves_towards_target" if nearer else "moves_for_the_whole"


def _shared_terms(case: PlanningCase, corner: Corner) -> list[tuple[ReasonCode, Vector]]:
    """Terms of the planner's sum that a corner shares with others: the square of each row (4,) over deviations."""
    specification, axle = case.specification, AXLE_OF[corner]
    terms: list[tuple[ReasonCode, Vector]] = []
    if axle in case.adjustable_sides:
        terms.append(("moves_for_side_difference", SIDE_SIGNS[axle] / specification.side_difference_max_mm))
    if len(specification.controlled_corners) == len(CORNERS):
        terms.append(("moves_for_warp", WARP_SIGNS / (2.0 * specification.warp_max_mm)))
    return terms


def _stopping_limit(
    case: PlanningCase, corner: Corner, changes: Changes, wanted: int
) -> tuple[ReasonCode, dict[str, float]] | None:
    """The limit at which a corner stands although the sum alone would take it further."""
    change = changes[CORNERS.index(corner)]
    if wanted == change:
        return None
    direction = 1 if wanted > change else -1
    for member in sorted(_group_of(case, corner), key=CORNERS.index):
        permitted = permitted_range(case, member)
        if change + direction > permitted.high:
            return _stopped_by(permitted.high_limit), {"limit_counts": float(permitted.high)}
        if change + direction < permitted.low:
            return _stopped_by(permitted.low_limit), {"limit_counts": float(permitted.low)}
    return _warp_stop(case, corner, changes, direction)


def _stopped_by(limit: LimitCode) -> ReasonCode:
    return cast(ReasonCode, f"stopped_by_{limit}")


def _warp_stop(
    case: PlanningCase, corner: Corner, changes: Changes, direction: int
) -> tuple[ReasonCode, dict[str, float]] | None:
    """One count further would exceed the warp change, and would bring more of it."""
    moving = np.array([direction * (name in _group_of(case, corner)) for name in CORNERS])
    now, beyond = (abs(warp_change_mm(case, _as_changes(c))) for c in (np.array(changes), np.array(changes) + moving))
    limit = case.specification.warp_change_max_mm
    return ("stopped_by_warp_change", {"limit_mm": limit}) if beyond > max(limit + FEASIBLE, now) else None


def _as_changes(values: Vector) -> Changes:
    a, b, c, d = (int(value) for value in values)
    return a, b, c, d
