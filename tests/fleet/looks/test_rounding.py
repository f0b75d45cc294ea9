"""What is shown of a height, its target and its deviation adds up for whoever reads it."""

from __future__ import annotations

from decimal import Decimal
from statistics import fmean

from fleet.looks.lengths import length
from reports.drawing.quantities import length as on_paper

TARGET_MM = 485.3


def test_a_shown_height_less_its_shown_target_is_the_shown_deviation() -> None:
    """For every mean of two, three or four readings to half a millimetre, on either side of the target."""
    readings = [TARGET_MM - 2.3 + 0.5 * step for step in range(9)]
    means = [fmean([first, *[second] * more]) for first in readings for second in readings for more in (1, 2, 3)]
    for shown in (length, on_paper):
        wrong = [mean for mean in means if apart(shown(mean, "mm"), shown(TARGET_MM, "mm")) != figure(shown, mean)]
        assert wrong == []


def apart(height: str, target: str) -> Decimal:
    return Decimal(height) - Decimal(target)


def figure(shown: object, mean: float) -> Decimal:
    return Decimal(shown(mean - TARGET_MM, "mm", signed=True).replace("\u2212", "-"))  # type: ignore[operator]
