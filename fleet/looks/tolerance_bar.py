"""Where a height stands in its tolerance, and how certain that is: the geometry and the words of one bar.

The verdict is given, never worked out here. Bars shown together take one `span_mm`, so that equal lengths mean
equal heights.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from .lengths import UNIT_SIGNS, LengthUnit, length

VERDICT_WORDS: Final = {
    "within": gettext_lazy("within"),
    "outside": gettext_lazy("outside"),
    "undecided": gettext_lazy("undecided"),
    "unjudged": gettext_lazy("not judged"),
}
CORNER_NAMES: Final = {
    "FL": gettext_lazy("Front left"),
    "FR": gettext_lazy("Front right"),
    "RL": gettext_lazy("Rear left"),
    "RR": gettext_lazy("Rear right"),
}
_MOST_TICKS: Final = 24
_TICK_STEPS_MM: Final = (1, 2, 5, 10, 20, 50, 100, 200, 500)


def verdict_key(verdict: str | None) -> str:
    return verdict if verdict in VERDICT_WORDS else "unjudged"


@dataclass(frozen=True, slots=True)
class BarGeometry:
    """Lengths along a bar from its target, in the drawing's own units."""

    reach: float
    limits: tuple[float, float]
    width: float
    mark: float
    whisker: tuple[float, float]
    ticks: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ToleranceBar:
    """One height of one thing; `key` is unique on the page."""

    key: str
    name: str | Promise
    height_mm: float
    expanded_uncertainty_mm: float
    target_mm: float
    tolerance_mm: float
    verdict: str | None
    unit: LengthUnit = "mm"
    span_mm: float | None = None

    @property
    def deviation_mm(self) -> float:
        return self.height_mm - self.target_mm

    @property
    def verdict_key(self) -> str:
        return verdict_key(self.verdict)

    @property
    def sign(self) -> str:
        return UNIT_SIGNS[self.unit]

    @property
    def height(self) -> str:
        return length(self.height_mm, self.unit)

    @property
    def uncertainty(self) -> str:
        return length(self.expanded_uncertainty_mm, self.unit)

    @property
    def deviation(self) -> str:
        return length(self.deviation_mm, self.unit, signed=True)

    @property
    def title(self) -> str:
        return _("%(name)s: %(height)s ± %(uncertainty)s %(unit)s, %(verdict)s") % {
            "name": self.name,
            "height": self.height,
            "uncertainty": self.uncertainty,
            "unit": self.sign,
            "verdict": VERDICT_WORDS[self.verdict_key],
        }

    @property
    def description(self) -> str:
        return _(
            "Target %(target)s %(unit)s, tolerance from %(lowest)s to %(highest)s %(unit)s. "
            "The height deviates from the target by %(deviation)s %(unit)s and lies, with its uncertainty, "
            "between %(low)s and %(high)s %(unit)s."
        ) % {
            "target": self.target,
            "lowest": length(self.target_mm - self.tolerance_mm, self.unit),
            "highest": length(self.target_mm + self.tolerance_mm, self.unit),
            "deviation": self.deviation,
            "low": length(self.height_mm - self.expanded_uncertainty_mm, self.unit),
            "high": length(self.height_mm + self.expanded_uncertainty_mm, self.unit),
            "unit": self.sign,
        }

    @property
    def target(self) -> str:
        return length(self.target_mm, self.unit)

    @property
    def tolerance(self) -> str:
        return length(self.tolerance_mm, self.unit)

    @property
    def alone(self) -> list[ToleranceBar]:
        """The table behind one bar has one row."""
        return [self]

    @property
    def reach_mm(self) -> float:
        return self.span_mm or span_mm([self])

    def geometry(self, reach: float) -> BarGeometry:
        """Where everything lies on a bar that reaches `reach` to either side of its target."""

        def place(deviation_mm: float) -> float:
            return round(reach * deviation_mm / self.reach_mm, 2)

        low, high = place(-self.tolerance_mm), place(self.tolerance_mm)
        uncertainty = self.expanded_uncertainty_mm
        return BarGeometry(
            reach=reach,
            limits=(low, high),
            width=round(high - low, 2),
            mark=place(self.deviation_mm),
            whisker=(place(self.deviation_mm - uncertainty), place(self.deviation_mm + uncertainty)),
            ticks=tuple(place(tick_mm) for tick_mm in _ticks_mm(self.reach_mm)),
        )


def _ticks_mm(reach_mm: float) -> list[int]:
    """One for each whole step of mm from the target, as on a scale."""
    step = next((step for step in _TICK_STEPS_MM if 2 * reach_mm / step <= _MOST_TICKS), _TICK_STEPS_MM[-1])
    count = int(reach_mm // step)
    return [step * number for number in range(-count, count + 1)]


def span_mm(bars: Iterable[ToleranceBar]) -> float:
    """Half the reach of the bars: wide enough for every mark, whisker and tolerance, as on the certificate."""
    reaches = (max(abs(bar.deviation_mm) + bar.expanded_uncertainty_mm, 1.35 * bar.tolerance_mm) for bar in bars)
    return 1.08 * max(reaches, default=1.0) or 1.0
