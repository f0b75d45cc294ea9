"""Limits of set-point changes: the range each corner may move in, the checks of a proposal, the way back."""

from __future__ import annotations

from typing import Literal

import numpy as np

from .corners import AXLE_OF, CORNERS, CORNERS_OF, Corner
from .errors import MetrologyError
from .integer_quadratic import FEASIBLE
from .planning_case import Changes, CornerRange, LimitCheck, LimitCode, Outcome, PlanningCase
from .prediction import COVERAGE_FACTOR, warp_change_mm
from .response import Counts, counts_changed
from .specification import Specification

ProposalKind = Literal["computed", "entered", "reversion"]


def permitted_range(case: PlanningCase, corner: Corner, *, step_limited: bool = True) -> CornerRange:
    """Changes that every hard limit permits at a controlled corner; counts.

    Where two limits agree, the first of range, band, step, shift limit is named.
    """
    bounds = _bounds(case, corner)
    if not step_limited:
        bounds.pop("step")
    now = case.setpoint(corner)
    low_limit = max(bounds, key=lambda code: bounds[code][0])
    high_limit = min(bounds, key=lambda code: bounds[code][1])
    return CornerRange(corner, bounds[low_limit][0] - now, bounds[high_limit][1] - now, low_limit, high_limit)


def check_limits(case: PlanningCase, changes: Changes, *, kind: ProposalKind) -> tuple[LimitCheck, ...]:
    """Every limit of a proposal: per moved corner in order, then the vehicle's warp change.

    `reversion` is judged by set-point range and step alone; `entered` also by whether a corner is moved off its
    target. Raises MetrologyError for what is no proposal at
    all: an uncontrolled corner moved, or linked corners moved unequally.
    """
    _check_form(case.specification, changes)
    checks: list[LimitCheck] = []
    for corner, change in zip(CORNERS, changes, strict=True):
        if change:
            checks += _corner_checks(case, corner, change, kind)
        if change and kind == "entered":
            checks.append(_direction_check(case, corner, changes))
    if kind != "reversion":
        checks.append(_warp_check(case, changes, kind))
    return tuple(checks)


def reversion_changes(specification: Specification, current: Counts, as_found: Counts) -> Changes:
    """The next changes on the way back to the as-found set-points, each within the step limit; all 0 when
    there.

    >>> from .specification import AxleSpecification, Specification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> reversion_changes(van, (130, 95, 100, 100), (100, 100, 100, 100))
    (-20, 5, 0, 0)
    """
    step = specification.step_max_counts
    a, b, c, d = (max(-step, min(step, change)) for change in counts_changed(current, as_found))
    return a, b, c, d


def limits_exceeded(
    specification: Specification, before: Counts, after: Counts, baseline: Counts
) -> tuple[LimitCheck, ...]:
    """The hard limits that changed set-points go beyond: range, band, step and shift limit, corner by corner; counts.

    For what was written without a proposal. A corner whose set-point before is not known, is left out; where no
    baseline is known, the set-point before is taken for it.

    >>> from .specification import AxleSpecification, Specification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> found = limits_exceeded(van, (100, 100, 100, 100), (125, 105, 100, 100), (100, 100, 100, 100))
    >>> [(check.code, check.corner, check.value, check.limit) for check in found]
    [('step', 'FL', 25, 20)]
    """
    found: list[LimitCheck] = []
    for corner, was, now, first in zip(CORNERS, before, after, baseline, strict=True):
        if corner in specification.controlled_corners and was is not None and now is not None and was != now:
            found += _exceeded(specification, corner, was, now, was if first is None else first)
    return tuple(found)


def _exceeded(specification: Specification, corner: Corner, was: int, now: int, baseline: int) -> list[LimitCheck]:
    bounds = _bounds_from(specification, corner, was, baseline)
    checks = [
        _range_check("setpoint_range", corner, now, bounds["setpoint_range"]),
        _range_check("band", corner, now, bounds["band"]),
        _most("step", corner, abs(now - was), specification.step_max_counts),
        _most("shift_limit", corner, abs(now - baseline), specification.shift_limit_counts),
    ]
    return [check for check in checks if check.outcome == "refuse"]


def _bounds(case: PlanningCase, corner: Corner) -> dict[LimitCode, tuple[int, int]]:
    """Lowest and highest set-point by each hard limit."""
    return _bounds_from(case.specification, corner, case.setpoint(corner), case.baseline_setpoint(corner))


def _bounds_from(
    specification: Specification, corner: Corner, now: int, baseline: int
) -> dict[LimitCode, tuple[int, int]]:
    axle = specification.axle(corner)
    assert axle.setpoint_low is not None  # Specification checks both for controlled corners
    assert axle.setpoint_high is not None
    step, shift = specification.step_max_counts, specification.shift_limit_counts
    return {
        "setpoint_range": (specification.setpoint_min, specification.setpoint_max),
        "band": (axle.setpoint_low, axle.setpoint_high),
        "step": (now - step, now + step),
        "shift_limit": (baseline - shift, baseline + shift),
    }


def _check_form(specification: Specification, changes: Changes) -> None:
    for corner, change in zip(CORNERS, changes, strict=True):
        if change and corner not in specification.controlled_corners:
            raise MetrologyError(f"changes of {corner}", change, "0: the corner is not controlled")
        partner = specification.linked_with(corner)
        if partner is not None and changes[CORNERS.index(partner)] != change:
            raise MetrologyError(f"changes of {corner}", change, f"the same as at {partner}, which is linked")


def _corner_checks(case: PlanningCase, corner: Corner, change: int, kind: ProposalKind) -> list[LimitCheck]:
    bounds = _bounds(case, corner)
    after = case.setpoint(corner) + change
    checks = [_range_check("setpoint_range", corner, after, bounds["setpoint_range"])]
    checks.append(_most("step", corner, abs(change), case.specification.step_max_counts))
    if kind == "reversion":
        return checks
    checks.append(_range_check("band", corner, after, bounds["band"]))
    return checks + _shift_checks(case, corner, after) + _freedom_checks(case, corner, change)


def _range_check(code: LimitCode, corner: Corner, after: int, bounds: tuple[int, int]) -> LimitCheck:
    """Inside both ends; the end that is nearer to the new set-point is shown."""
    low, high = bounds
    limit = low if abs(after - low) < abs(after - high) else high
    return LimitCheck(code, corner, "pass" if low <= after <= high else "refuse", after, limit)


def _shift_checks(case: PlanningCase, corner: Corner, after: int) -> list[LimitCheck]:
    shift = abs(after - case.baseline_setpoint(corner))
    review, most = case.specification.shift_review_counts, case.specification.shift_limit_counts
    reviewed: Outcome = "review" if shift > review else "pass"
    return [
        LimitCheck("shift_review", corner, reviewed, shift, review),
        _most("shift_limit", corner, shift, most),
    ]


def _freedom_checks(case: PlanningCase, corner: Corner, change: int) -> list[LimitCheck]:
    i = CORNERS.index(corner)
    variance = case.state.height_covariance[i, i] + case.round_uncertainty.common_variance_mm2[i]
    expanded = COVERAGE_FACTOR * float(variance) ** 0.5
    outcome: Outcome = "pass" if corner in case.freed else "review"
    checks = [LimitCheck("not_significant", corner, outcome, abs(float(case.deviations_mm[i])), expanded)]
    if corner in case.suspect:
        checks.append(LimitCheck("suspect_corner", corner, "refuse", abs(change), 0))
    return checks


def _direction_check(case: PlanningCase, corner: Corner, changes: Changes) -> LimitCheck:
    """What is significant frees a corner to be put right, not to be moved off its target: that takes approval.

    Evening out the sides is putting right, and so is what brings a linked pair nearer as a whole.
    """
    before = case.deviations_mm
    after = before + case.state.responses * np.array(changes)
    i, left, right = (CORNERS.index(each) for each in (corner, *CORNERS_OF[AXLE_OF[corner]]))
    partner = case.specification.linked_with(corner)
    group = [i] if partner is None else [i, CORNERS.index(partner)]
    nearer = float(np.sum(after[group] ** 2)) <= float(np.sum(before[group] ** 2)) + FEASIBLE
    reachable = AXLE_OF[corner] in case.adjustable_sides
    evened = reachable and abs(after[left] - after[right]) < abs(before[left] - before[right])
    outcome: Outcome = "pass" if nearer or evened else "review"
    return LimitCheck("away_from_target", corner, outcome, abs(float(after[i])), abs(float(before[i])))


def _warp_check(case: PlanningCase, changes: Changes, kind: ProposalKind) -> LimitCheck:
    """Only a hand-entered proposal can exceed it, and then needs approval."""
    warp, most = abs(warp_change_mm(case, changes)), case.specification.warp_change_max_mm
    exceeded: Outcome = "review" if kind == "entered" else "refuse"
    return LimitCheck("warp_change", None, exceeded if warp > most + FEASIBLE else "pass", warp, most)


def _most(code: LimitCode, corner: Corner, value: int, most: int) -> LimitCheck:
    return LimitCheck(code, corner, "refuse" if value > most else "pass", value, most)
