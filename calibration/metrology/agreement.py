"""Whether rounds of one pool agree: a later round's value at a corner against the mean of those before it.

Source: ISO 5725-6 (critical difference of two means under repeatability conditions). Every length is in millimetres.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from .corners import CORNERS
from .findings import Finding
from .pooling import CornerRound, RoundMeasurement, corner_rounds, pool_corner

if TYPE_CHECKING:
    from collections.abc import Sequence

JOINT_99 = 3.02
"""Two-sided point of the normal distribution that four corners together exceed in at most 1 % (Bonferroni).

ISO 5725-6 uses 1.96, for 95 % and one comparison. Here every round makes four, and each one that is told takes a
further round and a manager.
"""


def critical_difference_mm(earlier: Sequence[CornerRound], later: CornerRound, settling_mm: float) -> float:
    """The most by which a round's value at a corner may differ from the mean of the rounds before it.

    `2·a + CD + δ`, with `CD = 3.02·s_r·√(1/n₁ + 1/n₂)`: both may have settled at opposite ends of the half-width a,
    their readings may differ as the means of n₁ and n₂ careful ones do at any of four corners in 99 % of cases, and
    the scale is read to δ. Of several s_r the largest counts; a median of n readings counts as n/1.25².

    Parameters
    ----------
    earlier : sequence of CornerRound, at least one
    later : CornerRound
    settling_mm : float
        Half-width a of the settled height from round to round, mm, from 0.

    Returns
    -------
    float
        mm, above 0.

    Source: ISO 5725-6, critical difference of two groups of results; the allowance for settling is the project's own.

    >>> from .readings import Repeatability
    >>> twice = CornerRound(497.5, 2, "mean", 1.0, Repeatability(1.0, 12), 1.0, 0.3, True)
    >>> round(critical_difference_mm([twice], twice, settling_mm=1.5), 2)
    7.02
    """
    spread = max(each.repeatability.standard_deviation_mm for each in (*earlier, later))
    before = sum(_readings_worth(each) for each in earlier)
    difference = JOINT_99 * spread * math.sqrt(1 / before + 1 / _readings_worth(later))
    return 2 * settling_mm + difference + later.resolution_mm


def _readings_worth(each: CornerRound) -> float:
    return each.readings / each.repeatability_factor**2


def contradictions(rounds: Sequence[RoundMeasurement], settling_mm: float) -> tuple[Finding, ...]:
    """`rounds_disagree` for every corner and round that lies too far from the mean of the rounds before it.

    A corner whose readings in the latest round still ask to be repeated has no value yet that could be compared.
    """
    unsettled = {c for c, found in zip(CORNERS, rounds[-1].estimates(), strict=True) if found.repeats_wanted}
    by_corner = [each for each in zip(CORNERS, corner_rounds(rounds), strict=True) if each[0] not in unsettled]
    return tuple(
        Finding(
            "rounds_disagree",
            "review",
            corner,
            {
                "round": rounds[index].identity,
                "value_mm": of_corner[index].value_mm,
                "before_mm": before,
                "limit_mm": limit,
            },
        )
        for corner, of_corner in by_corner
        for index in range(1, len(rounds))
        if abs(of_corner[index].value_mm - (before := pool_corner(of_corner[:index], settling_mm).mean_mm))
        > (limit := critical_difference_mm(of_corner[:index], of_corner[index], settling_mm))
    )
