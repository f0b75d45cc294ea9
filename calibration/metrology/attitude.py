"""Attitude of the body: modes of the height deviations, their warp's uncertainty, and the floor's share.

Every length is in millimetres, every sequence of four in the order of `CORNERS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from .corners import CORNERS
from .errors import MetrologyError
from .uncertainty import Budget, Component

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .specification import Specification

WARP_COEFFICIENTS: tuple[float, float, float, float] = (0.5, -0.5, -0.5, 0.5)
"""Warp is this combination of the four deviations: half of front minus rear left-minus-right."""
FLOOR_WARP_SHARE = 1 / 3
FLOOR_SLOPE_MAX = 0.01
"""Both floor limits are common practice, no source: a third of the warp limit, and 1 % of slope."""


@dataclass(frozen=True, slots=True)
class Modes:
    """Heave, pitch, roll and warp of four deviations, mm."""

    heave_mm: float
    pitch_mm: float
    roll_mm: float
    warp_mm: float


@dataclass(frozen=True, slots=True)
class WarpAssessment:
    """The warp with its uncertainty; `large` if |warp| - U > limit."""

    warp_mm: float
    expanded_uncertainty_mm: float
    limit_mm: float
    large: bool


@dataclass(frozen=True, slots=True)
class FloorEffect:
    """What the floor alone would do. It corrects no height."""

    warp_mm: float
    """Warp of the heights that a stiff body on these pads would show."""
    warp_limit_mm: float
    longitudinal_slope: float
    """Rise per length, positive when the front pads are higher."""
    lateral_slope: float
    """Rise per length, positive when the left pads are higher."""
    level: bool
    """Warp within a third of the warp limit and both slopes within 1 %."""


def modes(deviations_mm: Sequence[float]) -> Modes:
    """Modes of four deviations.

    Heave is their mean; pitch front mean minus rear mean; roll the mean of the two left-minus-right; warp
    half of front left-minus-right minus rear left-minus-right.

    Parameters
    ----------
    deviations_mm : four floats
        Height minus target, mm.

    Raises
    ------
    MetrologyError
        If there are not four finite numbers.

    Source: axes after ISO 8855; warp is what three modes of a rigid body leave over.

    >>> modes([3.0, 1.0, -1.0, 1.0])
    Modes(heave_mm=1.0, pitch_mm=2.0, roll_mm=0.0, warp_mm=2.0)
    """
    front_left, front_right, rear_left, rear_right = _four("deviations_mm", deviations_mm)
    front, rear = front_left - front_right, rear_left - rear_right
    return Modes(
        heave_mm=(front_left + front_right + rear_left + rear_right) / 4,
        pitch_mm=(front_left + front_right - rear_left - rear_right) / 2,
        roll_mm=(front + rear) / 2,
        warp_mm=(front - rear) / 2,
    )


def warp_budget(budgets: Sequence[Budget]) -> Budget:
    """Uncertainty budget of the warp from the budgets of the four corners.

    Each component is half the root sum of squares of the four; a component common to left and right drops
    out, because left and right enter with opposite signs on each axle.

    Parameters
    ----------
    budgets : four Budget
        With the same components in the same order, as `pooling.pool` gives them.

    Raises
    ------
    MetrologyError
        If there are not four budgets with the same components.

    Source: GUM 5.1.2 and 5.2.2, sensitivity coefficients ± ½.

    >>> corner = Budget((Component("repeatability", 3.0, 8), Component("tape", 0.3, common_to_sides=True)))
    >>> warp_budget([corner] * 4).standard_uncertainty_mm
    3.0
    """
    names = {tuple(part.name for part in budget.components) for budget in budgets}
    if len(budgets) != len(CORNERS) or len(names) != 1:
        raise MetrologyError("budgets", sorted(names), "four budgets with the same components")
    lines = zip(*(budget.components for budget in budgets), strict=True)
    return Budget(
        tuple(
            Component(
                line[0].name,
                0.5 * math.hypot(*(part.standard_uncertainty_mm for part in line)),
                min(part.degrees_of_freedom for part in line),
                common_to_rounds=all(part.common_to_rounds for part in line),
            )
            for line in lines
            if not all(part.common_to_sides for part in line)
        )
    )


def assess_warp(warp_mm: float, budgets: Sequence[Budget], warp_max_mm: float) -> WarpAssessment:
    """Judge a warp: large if it is beyond its limit even after its uncertainty, |warp| - U > limit.

    Parameters
    ----------
    warp_mm : float
        Warp of the pooled deviations, mm.
    budgets : four Budget
        Of the pooled corners.
    warp_max_mm : float
        The specification's limit, mm.

    >>> corner = Budget((Component("repeatability", 1.0),))
    >>> assess_warp(-9.0, [corner] * 4, 6.0).large, assess_warp(7.9, [corner] * 4, 6.0).large
    (True, False)
    """
    expanded = warp_budget(budgets).expanded_uncertainty_mm
    return WarpAssessment(warp_mm, expanded, warp_max_mm, abs(warp_mm) - expanded > warp_max_mm)


def floor_effect(pad_levels_mm: Sequence[float], specification: Specification) -> FloorEffect:
    """What the floor alone would do to the heights, from the levels of the four pads (mm, up positive).

    A stiff body stays plane: heave, pitch and roll of the floor carry it along and change no hub-to-arch
    height, while a raised pad closes the gap above it. The warp of the heights is minus that of the pads.

    Raises
    ------
    MetrologyError
        If there are not four finite levels.

    >>> from calibration.metrology.specification import AxleSpecification, Specification
    >>> axle = AxleSpecification(486, 6, 40, 215, 0.9, 0.15)
    >>> van = Specification(axle, axle, 2885, 1605, 1613, 0, 255, 8, 20, 40, 60, 1.5)
    >>> floor = floor_effect([6.0, 0.0, 0.0, 0.0], van)
    >>> floor.warp_mm, floor.level
    (-3.0, False)
    """
    pads = modes(_four("pad_levels_mm", pad_levels_mm))
    limit = FLOOR_WARP_SHARE * specification.warp_max_mm
    track = (specification.track_front_mm + specification.track_rear_mm) / 2
    longitudinal, lateral = (
        pads.pitch_mm / specification.wheelbase_mm,
        pads.roll_mm / track,
    )
    return FloorEffect(
        warp_mm=-pads.warp_mm,
        warp_limit_mm=limit,
        longitudinal_slope=longitudinal,
        lateral_slope=lateral,
        level=abs(pads.warp_mm) <= limit and max(abs(longitudinal), abs(lateral)) <= FLOOR_SLOPE_MAX,
    )


def _four(argument: str, values: Sequence[float]) -> tuple[float, ...]:
    if len(values) != len(CORNERS) or not all(math.isfinite(value) for value in values):
        raise MetrologyError(argument, tuple(values), "four finite numbers in the order FL, FR, RL, RR")
    return tuple(values)
