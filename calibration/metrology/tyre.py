"""What other tyres than the reference tyre do: speed reading, load, mismatch, heights above ground, room in the arch.

Takes numbers; designations are taken apart elsewhere. The height from hub to arch does not change with the tyre.
Lengths are in millimetres, sequences of four in the order of `CORNERS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from .corners import CORNERS
from .errors import MetrologyError

if TYPE_CHECKING:
    from collections.abc import Sequence

R39_TEST_SPEEDS_KM_H = (40.0, 80.0, 120.0)
R39_SHARE = 0.1
R39_CONSTANT_KM_H = 4.0

Four = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class TyreDifference:
    """A fitted tyre against the reference tyre: positive for a larger one."""

    diameter_mm: float
    radius_mm: float
    circumference_mm: float
    circumference_pct: float
    revolutions_per_km: float
    """Negative for a larger one, which turns less."""


@dataclass(frozen=True, slots=True)
class SpeedReading:
    """What a speedometer shows at a true speed, and what UN R39 lets it show."""

    true_km_h: float
    shown_km_h: float
    lowest_km_h: float
    highest_km_h: float

    @property
    def permitted(self) -> bool:
        return self.lowest_km_h <= self.shown_km_h <= self.highest_km_h


@dataclass(frozen=True, slots=True)
class AxleLoad:
    """What the tyres of an axle may carry together and what they are to carry, kg."""

    capacity_kg: float
    load_kg: float

    @property
    def utilisation_pct(self) -> float:
        return 100 * self.load_kg / self.capacity_kg

    @property
    def sufficient(self) -> bool:
        return self.load_kg <= self.capacity_kg


@dataclass(frozen=True, slots=True)
class CircumferenceMismatch:
    """Differences of rolling circumference in % of the mean of what is compared."""

    front_pct: float
    """Left minus right, as is `rear_pct`."""
    rear_pct: float
    front_rear_pct: float
    """Mean of the front axle minus mean of the rear axle."""


def difference(
    diameter_mm: float, circumference_mm: float, reference_diameter_mm: float, reference_circumference_mm: float
) -> TyreDifference:
    """How a fitted tyre differs from the reference tyre.

    Parameters
    ----------
    diameter_mm, reference_diameter_mm : float
        Overall diameters, mm, above 0.
    circumference_mm, reference_circumference_mm : float
        Rolling circumferences, mm, above 0.

    Raises
    ------
    MetrologyError
        If a length is not a finite number above 0.

    Source: definition.

    >>> larger = difference(815, 2485.75, 763, 2327.15)
    >>> larger.radius_mm, round(larger.circumference_pct, 2), round(larger.revolutions_per_km, 1)
    (26.0, 6.82, -27.4)
    """
    _positive("diameter_mm", diameter_mm)
    _positive("circumference_mm", circumference_mm)
    _positive("reference_diameter_mm", reference_diameter_mm)
    _positive("reference_circumference_mm", reference_circumference_mm)
    longer = circumference_mm - reference_circumference_mm
    return TyreDifference(
        diameter_mm=diameter_mm - reference_diameter_mm,
        radius_mm=(diameter_mm - reference_diameter_mm) / 2,
        circumference_mm=longer,
        circumference_pct=100 * longer / reference_circumference_mm,
        revolutions_per_km=1e6 / circumference_mm - 1e6 / reference_circumference_mm,
    )


def speed_reading(
    true_km_h: float, circumference_mm: float, reference_circumference_mm: float, *, overreading_pct: float = 0.0
) -> SpeedReading:
    """What the speedometer shows at a true speed with the tyres fitted, and what UN R39 permits it to show.

    It counts turns as of the reference tyre: `V₁ = V₂·(C_ref/C)·(1 + e)`. Permitted is `0 ≤ V₁ - V₂ ≤ V₂/10 + 4 km/h`.

    Parameters
    ----------
    true_km_h : float
        V₂, above 0. UN R39 tests at 40, 80 and 120 km/h (`R39_TEST_SPEEDS_KM_H`), as far as the vehicle goes.
    circumference_mm : float
        Rolling circumference C of the tyres whose turns are counted, mm.
    reference_circumference_mm : float
        Of the reference tyre, mm.
    overreading_pct : float
        100·e: how much too much it shows with the reference tyre; 0 for one that shows the truth. Usual ones show some
        per cent too much, which leaves room for a larger tyre.

    Raises
    ------
    MetrologyError
        If a speed or length is not a finite number above 0, or the overreading not a finite number above -100.

    Source: UN R39, 5.3 (rule and the roles of V₁ and V₂ read in public copies).

    >>> reading = speed_reading(80, 2485.75, 2327.15)
    >>> round(reading.shown_km_h, 1), reading.lowest_km_h, reading.highest_km_h, reading.permitted
    (74.9, 80, 92.0, False)
    """
    _positive("true_km_h", true_km_h)
    ratio = _positive("reference_circumference_mm", reference_circumference_mm) / _positive(
        "circumference_mm", circumference_mm
    )
    if not (math.isfinite(overreading_pct) and overreading_pct > -100):
        raise MetrologyError("overreading_pct", overreading_pct, "a finite number above -100")
    return SpeedReading(
        true_km_h=true_km_h,
        shown_km_h=true_km_h * ratio * (1 + overreading_pct / 100),
        lowest_km_h=true_km_h,
        highest_km_h=true_km_h * (1 + R39_SHARE) + R39_CONSTANT_KM_H,
    )


def axle_load(left_capacity_kg: float, right_capacity_kg: float, load_kg: float) -> AxleLoad:
    """What an axle's two tyres may carry against its load: each bears half, so the weaker one counts twice.

    Raises
    ------
    MetrologyError
        If a mass is not a finite number above 0.

    Source: definition; single tyres, up to the speed of their symbol.

    >>> axle_load(1120, 1060, 1650).capacity_kg, axle_load(800, 1060, 1650).sufficient
    (2120, False)
    """
    weaker = min(_positive("left_capacity_kg", left_capacity_kg), _positive("right_capacity_kg", right_capacity_kg))
    return AxleLoad(2 * weaker, _positive("load_kg", load_kg))


def circumference_mismatch(circumferences_mm: Sequence[float]) -> CircumferenceMismatch:
    """How the rolling circumferences differ left from right on each axle, and front from rear.

    Parameters
    ----------
    circumferences_mm : four floats
        Above 0.

    Raises
    ------
    MetrologyError
        If there are not four finite numbers above 0.

    Source: definition.

    >>> circumference_mismatch([2020.0, 1980.0, 2000.0, 2000.0])
    CircumferenceMismatch(front_pct=2.0, rear_pct=0.0, front_rear_pct=0.0)
    """
    front_left, front_right, rear_left, rear_right = _four("circumferences_mm", circumferences_mm)
    front, rear = (front_left + front_right) / 2, (rear_left + rear_right) / 2
    return CircumferenceMismatch(
        front_pct=100 * (front_left - front_right) / front,
        rear_pct=100 * (rear_left - rear_right) / rear,
        front_rear_pct=100 * (front - rear) / ((front + rear) / 2),
    )


def hub_rise_mm(diameters_mm: Sequence[float], reference_diameter_mm: float) -> Four:
    """How much higher the hubs stand than on reference tyres, mm: half the difference of diameters.

    Ground clearance and centre of gravity rise with the hubs (`consequences.BodyPosition`); that the tyres give way
    alike under their load is assumed.

    Raises
    ------
    MetrologyError
        If there are not four finite diameters above 0, or the reference is none.

    Source: definition.

    >>> hub_rise_mm([783, 783, 763, 763], 763)
    (10.0, 10.0, 0.0, 0.0)
    """
    _positive("reference_diameter_mm", reference_diameter_mm)
    a, b, c, d = ((each - reference_diameter_mm) / 2 for each in _four("diameters_mm", diameters_mm))
    return a, b, c, d


def arch_clearance_mm(heights_mm: Sequence[float], diameters_mm: Sequence[float]) -> Four:
    """Room between the top of the tyre and the wheel arch at each corner, mm: height from hub to arch less free radius.

    At the height given, wheels straight; negative where the tyre does not fit. Springing and steering need room beyond.

    Raises
    ------
    MetrologyError
        If there are not four finite numbers above 0 of each.

    Source: definition.

    >>> arch_clearance_mm([486, 486, 504, 504], [763, 763, 815, 815])
    (104.5, 104.5, 96.5, 96.5)
    """
    pairs = zip(_four("heights_mm", heights_mm), _four("diameters_mm", diameters_mm), strict=True)
    a, b, c, d = (height - diameter / 2 for height, diameter in pairs)
    return a, b, c, d


def _four(argument: str, values: Sequence[float]) -> tuple[float, ...]:
    if len(values) != len(CORNERS) or not all(math.isfinite(value) and value > 0 for value in values):
        raise MetrologyError(argument, tuple(values), "four finite numbers above 0 in the order FL, FR, RL, RR")
    return tuple(values)


def _positive(argument: str, value: float) -> float:
    if not (math.isfinite(value) and value > 0):
        raise MetrologyError(argument, value, "a finite number above 0")
    return value
