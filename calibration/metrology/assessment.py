"""Assessment of pooled rounds: corners, sides, attitude, and what would decide what is undecided.

Sources: JCGM 100:2008, JCGM 106:2012, ILAC-G8:09/2019 through the modules used. Every length is in
millimetres, every tuple of four in the order of `CORNERS`; values are unrounded.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from .agreement import contradictions
from .attitude import FloorEffect, Modes, WarpAssessment, assess_warp, floor_effect, modes
from .conformity import Verdict, conformance_probability, is_significant, joint_verdict, verdict
from .corners import AXLES, CORNERS, CORNERS_OF, Axle, Corner
from .deciding import OpenQuestion, readings_to_decide, rounds_to_decide
from .errors import MetrologyError
from .findings import Finding, attitude_findings, disagreements
from .pooling import CornerRound, PooledCorner, RoundMeasurement, corner_rounds, pool_corner
from .uncertainty import Budget, side_difference_budget

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from .readings import Estimator
    from .specification import Specification


@dataclass(frozen=True, slots=True)
class CornerAssessment:
    """One corner: pooled value, uncertainty, verdict and what it asks for."""

    corner: Corner
    mean_mm: float
    target_mm: float
    deviation_mm: float
    tolerance_mm: float
    readings: int
    rounds: int
    estimator: Estimator
    budget: Budget
    standard_uncertainty_mm: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty_mm: float
    verdict: Verdict
    conformance_probability: float
    significant: bool
    """|d| > U."""
    adjustable: bool
    freed: bool
    """Something significant lets the planner move this corner."""
    repeats_wanted: int
    """Further readings that the repeat rule asks for, because those of the latest round disagree."""
    readings_to_decide: int
    """Further readings in the latest round that would decide what is undecided here; 0 if none are wanted."""

    @property
    def read_again(self) -> int:
        """How many further readings are wanted at this corner."""
        return self.repeats_wanted or self.readings_to_decide


@dataclass(frozen=True, slots=True)
class SideAssessment:
    """Left minus right on one axle."""

    axle: Axle
    difference_mm: float
    limit_mm: float
    budget: Budget
    standard_uncertainty_mm: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty_mm: float
    verdict: Verdict
    significant: bool
    adjustable: bool


@dataclass(frozen=True, slots=True)
class Assessment:
    """The verdict on a pool of rounds, with everything it rests on."""

    rounds: tuple[str, ...]
    verdict: Verdict
    """Over adjustable corners and sides only."""
    corners: tuple[CornerAssessment, ...]
    sides: tuple[SideAssessment, ...]
    """Front, rear."""
    modes: Modes
    warp: WarpAssessment
    floor: FloorEffect | None
    rounds_to_decide: int | None
    findings: tuple[Finding, ...]

    def corner(self, corner: Corner) -> CornerAssessment:
        """The assessment of one corner."""
        return self.corners[CORNERS.index(corner)]

    def side(self, axle: Axle) -> SideAssessment:
        """The assessment of one axle's side difference."""
        return self.sides[AXLES.index(axle)]


def assess(
    rounds: Sequence[RoundMeasurement],
    specification: Specification,
    *,
    targets_mm: Sequence[float] | None = None,
    not_adjustable: Collection[Corner] = (),
    sides_not_adjustable: Collection[Axle] = (),
    pad_levels_mm: Sequence[float] | None = None,
) -> Assessment:
    """Assess a pool of settled rounds at normal ride position.

    Parameters
    ----------
    rounds : sequence of RoundMeasurement, at least one, oldest first
        Consecutive rounds with unchanged set-points. The caller decides where a pool ends.
    specification : Specification
    targets_mm : four floats, optional
        Targets in force (a concession's), mm; default the specification's.
    not_adjustable : collection of Corner
        Corners that carry `not_adjustable_here`; uncontrolled ones are taken from the specification. They are
        judged, ask no readings, free no other corner and have no part in the vehicle's verdict.
    sides_not_adjustable : collection of Axle
        Sides treated likewise. A side with linked corners or with a corner that is not adjustable always is.
    pad_levels_mm : four floats, optional
        Floor survey of the bay, mm.

    Returns
    -------
    Assessment

    Raises
    ------
    MetrologyError
        If there is no round, or the targets or pad levels are not four finite numbers.

    Source: JCGM 100:2008; ILAC-G8:09/2019 (w = U); modes in `attitude`.

    >>> from calibration.metrology.readings import Repeatability
    >>> from calibration.metrology.specification import AxleSpecification, Specification
    >>> from calibration.metrology.uncertainty import Instrument
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> vehicle = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> readings = ((497.0, 498.0), (496.0, 496.0), (486.0, 487.0), (486.0, 486.0))
    >>> tape = Instrument("tape 1", 1.0, "II")
    >>> found = assess([RoundMeasurement(readings, Repeatability(1.0, 12), (tape,))], vehicle)
    >>> [corner.verdict for corner in found.corners], found.side("front").verdict
    (['outside', 'outside', 'within', 'within'], 'within')
    """
    pooled_from = corner_rounds(rounds)
    pooled = tuple(pool_corner(of_corner, specification.settling_mm) for of_corner in pooled_from)
    targets = _targets(specification, targets_mm)
    reachable = adjustable_corners(specification, not_adjustable)
    reachable_sides = adjustable_sides(specification, not_adjustable, sides_not_adjustable)
    corners = tuple(
        _judged_corner(corner, pooled[index], targets[index], specification, adjustable=corner in reachable)
        for index, corner in enumerate(CORNERS)
    )
    sides = tuple(_judged_side(axle, pooled, specification, adjustable=axle in reachable_sides) for axle in AXLES)
    items: tuple[CornerAssessment | SideAssessment, ...] = (*corners, *sides)
    overall = joint_verdict(item.verdict for item in items if item.adjustable)
    questions = _open_questions(overall, corners, sides, pooled_from, specification.settling_mm)
    attitude = modes([corner.deviation_mm for corner in corners])
    warp = assess_warp(attitude.warp_mm, [corner.budget for corner in corners], specification.warp_max_mm)
    floor = None if pad_levels_mm is None else floor_effect(pad_levels_mm, specification)
    return Assessment(
        rounds=tuple(each.identity for each in rounds),
        verdict=overall,
        corners=_with_requests(corners, _freed(corners, sides, specification), rounds[-1], questions),
        sides=sides,
        modes=attitude,
        warp=warp,
        floor=floor,
        rounds_to_decide=rounds_to_decide(questions),
        findings=(
            *disagreements(rounds),
            *contradictions(rounds, specification.settling_mm),
            *attitude_findings(warp, floor),
            *_not_adjustable_findings(corners, sides),
        ),
    )


def adjustable_corners(specification: Specification, not_adjustable: Collection[Corner] = ()) -> frozenset[Corner]:
    """Corners that an adjustment can reach: controlled, not excluded, nor linked with one that is not.

    >>> from calibration.metrology.specification import AxleSpecification, Specification
    >>> axle, steel = AxleSpecification(486, 6, 40, 215, 0.9, 0.15), AxleSpecification(504, 6)
    >>> van = Specification(steel, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5, ("RL", "RR"))
    >>> sorted(adjustable_corners(van))
    ['RL', 'RR']
    """
    reachable = set(specification.controlled_corners) - set(not_adjustable)
    return frozenset(corner for corner in reachable if (specification.linked_with(corner) or corner) in reachable)


def adjustable_sides(
    specification: Specification,
    not_adjustable: Collection[Corner] = (),
    sides_not_adjustable: Collection[Axle] = (),
) -> frozenset[Axle]:
    """Sides whose difference an adjustment can change: both corners adjustable and not linked.

    >>> from calibration.metrology.specification import AxleSpecification, Specification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> vehicle = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> sorted(adjustable_sides(vehicle, not_adjustable=["FL"]))
    ['rear']
    """
    reachable = adjustable_corners(specification, not_adjustable)
    return frozenset(
        axle
        for axle in AXLES
        if axle not in sides_not_adjustable
        and reachable.issuperset(CORNERS_OF[axle])
        and specification.linked_with(CORNERS_OF[axle][0]) != CORNERS_OF[axle][1]
    )


def _targets(specification: Specification, targets_mm: Sequence[float] | None) -> tuple[float, ...]:
    targets = tuple(specification.target_mm(corner) for corner in CORNERS) if targets_mm is None else tuple(targets_mm)
    if len(targets) != len(CORNERS) or not all(math.isfinite(target) for target in targets):
        raise MetrologyError("targets_mm", targets, "four finite numbers in the order FL, FR, RL, RR")
    return targets


def _judged_corner(
    corner: Corner, pooled: PooledCorner, target_mm: float, specification: Specification, *, adjustable: bool
) -> CornerAssessment:
    deviation, tolerance = pooled.mean_mm - target_mm, specification.tolerance_mm(corner)
    budget = pooled.budget
    standard, expanded = budget.standard_uncertainty_mm, budget.expanded_uncertainty_mm
    return CornerAssessment(
        corner=corner,
        mean_mm=pooled.mean_mm,
        target_mm=target_mm,
        deviation_mm=deviation,
        tolerance_mm=tolerance,
        readings=pooled.readings,
        rounds=pooled.rounds,
        estimator=pooled.estimator,
        budget=budget,
        standard_uncertainty_mm=standard,
        degrees_of_freedom=budget.degrees_of_freedom,
        coverage_factor=budget.coverage_factor,
        expanded_uncertainty_mm=expanded,
        verdict=verdict(deviation, expanded, tolerance),
        conformance_probability=conformance_probability(deviation, standard, tolerance),
        significant=is_significant(deviation, expanded),
        adjustable=adjustable,
        freed=False,
        repeats_wanted=0,
        readings_to_decide=0,
    )


def _judged_side(
    axle: Axle, pooled: Sequence[PooledCorner], specification: Specification, *, adjustable: bool
) -> SideAssessment:
    left, right = (pooled[CORNERS.index(corner)] for corner in CORNERS_OF[axle])
    budget = side_difference_budget(left.budget, right.budget)
    difference, expanded = left.mean_mm - right.mean_mm, budget.expanded_uncertainty_mm
    limit = specification.side_difference_max_mm
    return SideAssessment(
        axle=axle,
        difference_mm=difference,
        limit_mm=limit,
        budget=budget,
        standard_uncertainty_mm=budget.standard_uncertainty_mm,
        degrees_of_freedom=budget.degrees_of_freedom,
        coverage_factor=budget.coverage_factor,
        expanded_uncertainty_mm=expanded,
        verdict=verdict(difference, expanded, limit),
        significant=is_significant(difference, expanded),
        adjustable=adjustable,
    )


def _open_questions(
    overall: Verdict,
    corners: Sequence[CornerAssessment],
    sides: Sequence[SideAssessment],
    rounds: Sequence[tuple[CornerRound, ...]],
    settling_mm: float,
) -> tuple[OpenQuestion, ...]:
    """What keeps the vehicle undecided. With something outside there is nothing to read again for."""
    if overall != "undecided":
        return ()
    of_corner = dict(zip(CORNERS, rounds, strict=True))
    items: list[tuple[CornerAssessment | SideAssessment, tuple[Corner, ...], float, float]] = [
        *((each, (each.corner,), each.deviation_mm, each.tolerance_mm) for each in corners),
        *((each, CORNERS_OF[each.axle], each.difference_mm, each.limit_mm) for each in sides),
    ]
    return tuple(
        OpenQuestion(members, tuple(of_corner[member] for member in members), deviation, limit, settling_mm)
        for each, members, deviation, limit in items
        if each.adjustable and each.verdict == "undecided"
    )


def _freed(
    corners: Sequence[CornerAssessment], sides: Sequence[SideAssessment], specification: Specification
) -> frozenset[Corner]:
    """Adjustable corners that are significant, on a significant side, or linked with one that is."""
    movable = {each.corner for each in corners if each.adjustable}
    freed = {each.corner for each in corners if each.significant} & movable
    for side in sides:
        if side.adjustable and side.significant:
            freed.update(CORNERS_OF[side.axle])
    linked = {specification.linked_with(corner) for corner in freed}
    return frozenset(corner for corner in movable if corner in freed or corner in linked)


def _with_requests(
    corners: Sequence[CornerAssessment],
    freed: frozenset[Corner],
    latest: RoundMeasurement,
    questions: Sequence[OpenQuestion],
) -> tuple[CornerAssessment, ...]:
    wanted = readings_to_decide(questions)
    return tuple(
        replace(
            each,
            freed=each.corner in freed,
            repeats_wanted=found.repeats_wanted if each.adjustable else 0,
            readings_to_decide=wanted.get(each.corner, 0),
        )
        for each, found in zip(corners, latest.estimates(), strict=True)
    )


def _not_adjustable_findings(
    corners: Sequence[CornerAssessment], sides: Sequence[SideAssessment]
) -> tuple[Finding, ...]:
    """A corner or side that no adjustment reaches and that is not within tolerance is named for follow-up."""
    return tuple(
        Finding(
            "not_adjustable_here",
            "note",
            each.corner,
            {
                "verdict": each.verdict,
                "deviation_mm": each.deviation_mm,
                "expanded_uncertainty_mm": each.expanded_uncertainty_mm,
                "tolerance_mm": each.tolerance_mm,
            },
        )
        for each in corners
        if not each.adjustable and each.verdict != "within"
    ) + tuple(
        Finding(
            "not_adjustable_here",
            "note",
            None,
            {
                "axle": side.axle,
                "verdict": side.verdict,
                "difference_mm": side.difference_mm,
                "expanded_uncertainty_mm": side.expanded_uncertainty_mm,
                "limit_mm": side.limit_mm,
            },
        )
        for side in sides
        if not side.adjustable and side.verdict != "within"
    )
