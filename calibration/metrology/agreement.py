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

NORMAL_95 = 1.96
"""Two-sided 95 % point of the normal distribution, as ISO 5725-6 uses it."""


def critical_difference_mm(earlier: Sequence[CornerRound], later: CornerRound, settling_mm: float) -> float:
    """The most by which a round's value at a corner may differ from the mean of the rounds before it.

    `2·a + CD + δ`, with `CD = 1.96·s_r·√(1/n₁ + 1/n₂)`: both may have settled at opposite ends of the half-width a,
    their readings may differ as the means of n₁ and n₂ careful ones do in 95 % of cases, and the scale is read to δ.
    Of several s_r the largest counts. Careful rounds on a sound vehicle exceed it in far less than 5 % of cases.

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
    5.96
    """
    spread = max(each.repeatability.standard_deviation_mm for each in (*earlier, later))
    readings = sum(each.readings for each in earlier)
    difference = NORMAL_95 * spread * math.sqrt(1 / readings + 1 / later.readings)
    return 2 * settling_mm + difference + later.resolution_mm


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
