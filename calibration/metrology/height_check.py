"""A height check: one measurement of the four corners outside a job, judged against the targets in force.

Sources: JCGM 100:2008, ILAC-G8:09/2019 through the modules used. Every length is in millimetres, every tuple of four in
the order of `CORNERS`; values are unrounded.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from .assessment import adjustable_corners, adjustable_sides
from .conformity import Verdict, conformance_probability, joint_verdict, verdict
from .corners import AXLES, CORNERS, CORNERS_OF, Axle, Corner
from .pooling import PooledCorner, RoundMeasurement, pool
from .uncertainty import Budget, Instrument, side_difference_budget

if TYPE_CHECKING:
    from .readings import Estimator
    from .specification import Specification

UNKNOWN_INSTRUMENT: Final = Instrument("unknown", 1.0, "III")
"""What counts where nobody says what was measured with: the widest class, read to whole millimetres."""
UNKNOWN_INSTRUMENT_FACTOR: Final = 2.0
"""What the standard uncertainty is multiplied by then: nor does anybody know that it was a tape of any class."""


@dataclass(frozen=True, slots=True)
class CheckedCorner:
    """One corner: value, uncertainty, and what it says of the tolerance."""

    corner: Corner
    mean_mm: float
    target_mm: float
    deviation_mm: float
    tolerance_mm: float
    readings: int
    estimator: Estimator
    budget: Budget
    verdict: Verdict | None
    """None where the vehicle was not loaded as specified."""
    conformance_probability: float | None
    adjustable: bool


@dataclass(frozen=True, slots=True)
class CheckedSide:
    """Left minus right on one axle."""

    axle: Axle
    difference_mm: float
    limit_mm: float
    budget: Budget
    verdict: Verdict | None
    adjustable: bool


@dataclass(frozen=True, slots=True)
class CheckAssessment:
    """The verdict on one height check, with everything it rests on."""

    verdict: Verdict | None
    """Over adjustable corners and sides only; None where the vehicle was not loaded as specified."""
    corners: tuple[CheckedCorner, ...]
    sides: tuple[CheckedSide, ...]
    """Front, rear."""

    def corner(self, corner: Corner) -> CheckedCorner:
        """The assessment of one corner."""
        return self.corners[CORNERS.index(corner)]


def checked_heights(
    measured: RoundMeasurement, settling_mm: float, *, instrument_known: bool = True
) -> tuple[PooledCorner, ...]:
    """Heights of a check and their budgets: those of one round, with marks of its own.

    One reading a corner is enough. Where the instrument is not known, `measured` names `UNKNOWN_INSTRUMENT` among
    its instruments, and every component counts `UNKNOWN_INSTRUMENT_FACTOR` times: the combined standard uncertainty
    is multiplied by it, its degrees of freedom stay.

    Parameters
    ----------
    measured : RoundMeasurement
        Readings, 1 to 20 a corner, with what their uncertainty rests on.
    settling_mm : float
        Half-width a of the settled height, mm, from 0.
    instrument_known : bool
        Whether somebody said of every reading what it was taken with.

    Returns
    -------
    tuple of four PooledCorner

    Raises
    ------
    MetrologyError
        If the settling half-width is negative or not a number.

    Source: GUM 5.1.2, through `pooling.pool`; the factor is the project's own rule.

    >>> from .readings import PRIOR_REPEATABILITY
    >>> read = RoundMeasurement(((490.0,),) * 4, PRIOR_REPEATABILITY, (UNKNOWN_INSTRUMENT,))
    >>> [round(checked_heights(read, 1.5, instrument_known=known)[0].budget.standard_uncertainty_mm, 3)
    ...  for known in (True, False)]
    [1.581, 3.162]
    """
    pooled = pool([measured], settling_mm)
    if instrument_known:
        return pooled
    return tuple(replace(each, budget=_widened(each.budget)) for each in pooled)


def assess_height_check(
    measured: RoundMeasurement,
    specification: Specification,
    *,
    instrument_known: bool = True,
    loaded_as_specified: bool = True,
) -> CheckAssessment:
    """Judge a height check by the targets, tolerances and side limit of a specification.

    Parameters
    ----------
    measured, instrument_known
        As for `checked_heights`.
    specification : Specification
        With the targets in force: a concession's where there is one.
    loaded_as_specified : bool
        False: deviations are given, but no verdicts, since the targets hold for another loading.

    Returns
    -------
    CheckAssessment

    Raises
    ------
    MetrologyError
        As `checked_heights` does.

    Source: ILAC-G8:09/2019 (w = U); GUM 5.2.2 for the side differences.

    >>> from .readings import PRIOR_REPEATABILITY
    >>> from .specification import AxleSpecification, Specification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> vehicle = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> tape = Instrument("tape 1", 1.0, "II")
    >>> read = RoundMeasurement(((498.0,), (487.0,), (486.0,), (483.0,)), PRIOR_REPEATABILITY, (tape,))
    >>> found = assess_height_check(read, vehicle)
    >>> [each.verdict for each in found.corners], [each.verdict for each in found.sides], found.verdict
    (['outside', 'within', 'within', 'undecided'], ['undecided', 'within'], 'outside')
    """
    pooled = checked_heights(measured, specification.settling_mm, instrument_known=instrument_known)
    reachable, reachable_sides = adjustable_corners(specification), adjustable_sides(specification)
    corners = tuple(
        _corner(corner, each, specification, judged=loaded_as_specified, adjustable=corner in reachable)
        for corner, each in zip(CORNERS, pooled, strict=True)
    )
    sides = tuple(
        _side(axle, pooled, specification, judged=loaded_as_specified, adjustable=axle in reachable_sides)
        for axle in AXLES
    )
    items: tuple[CheckedCorner | CheckedSide, ...] = (*corners, *sides)
    verdicts = [each.verdict for each in items if each.adjustable and each.verdict is not None]
    return CheckAssessment(joint_verdict(verdicts) if loaded_as_specified else None, corners, sides)


def _widened(budget: Budget) -> Budget:
    factor = UNKNOWN_INSTRUMENT_FACTOR
    return Budget(
        tuple(
            replace(part, standard_uncertainty_mm=factor * part.standard_uncertainty_mm) for part in budget.components
        )
    )


def _corner(
    corner: Corner, pooled: PooledCorner, specification: Specification, *, judged: bool, adjustable: bool
) -> CheckedCorner:
    target, tolerance = specification.target_mm(corner), specification.tolerance_mm(corner)
    deviation, budget = pooled.mean_mm - target, pooled.budget
    return CheckedCorner(
        corner=corner,
        mean_mm=pooled.mean_mm,
        target_mm=target,
        deviation_mm=deviation,
        tolerance_mm=tolerance,
        readings=pooled.readings,
        estimator=pooled.estimator,
        budget=budget,
        verdict=verdict(deviation, budget.expanded_uncertainty_mm, tolerance) if judged else None,
        conformance_probability=(
            conformance_probability(deviation, budget.standard_uncertainty_mm, tolerance) if judged else None
        ),
        adjustable=adjustable,
    )


def _side(
    axle: Axle, pooled: tuple[PooledCorner, ...], specification: Specification, *, judged: bool, adjustable: bool
) -> CheckedSide:
    left, right = (pooled[CORNERS.index(corner)] for corner in CORNERS_OF[axle])
    budget = side_difference_budget(left.budget, right.budget)
    difference, limit = left.mean_mm - right.mean_mm, specification.side_difference_max_mm
    return CheckedSide(
        axle=axle,
        difference_mm=difference,
        limit_mm=limit,
        budget=budget,
        verdict=verdict(difference, budget.expanded_uncertainty_mm, limit) if judged else None,
        adjustable=adjustable,
    )
