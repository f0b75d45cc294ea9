"""Leak test: how fast each corner of a parked vehicle sinks, with temperature taken out.

The engine is off and levelling asleep: a unit that wakes and levels again hides the leak. The air in the spring is
assumed at ambient temperature. Sources: Charles' law; JCGM 100:2008 (GUM) through `uncertainty`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from .conformity import Verdict, joint_verdict
from .corners import CORNERS, Corner
from .errors import MetrologyError
from .pooling import RoundMeasurement, corner_rounds, pool_corner
from .uncertainty import Budget, Component, change_budget

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

ZERO_CELSIUS_K = 273.15
TEMPERATURE_STANDARD_UNCERTAINTY_K = 1.0
"""u(T) of each of the two temperatures where nothing better is known: the project's own choice."""
TEMPERATURES_DEG_C = (-90.0, 60.0)
"""Below and above what has been measured outdoors; beyond it a temperature was mistyped or is in another unit."""


@dataclass(frozen=True, slots=True)
class ParkedHeights:
    """Heights of the parked vehicle at one time; `temperature_deg_c` None where nobody noted it."""

    hours: float
    """Since any fixed time, the same for start and end."""
    measured: RoundMeasurement
    temperature_deg_c: float | None = None

    def __post_init__(self) -> None:
        low, high = TEMPERATURES_DEG_C
        if not math.isfinite(self.hours):
            raise MetrologyError("hours", self.hours, "a finite number")
        if self.temperature_deg_c is not None and not low <= self.temperature_deg_c <= high:
            raise MetrologyError("temperature_deg_c", self.temperature_deg_c, f"{low:g} to {high:g} °C, or None")


@dataclass(frozen=True, slots=True)
class CornerLeak:
    """Sinking rate of one corner. `budget` is that of the change of height, in mm.

    `hours_to_decide` counts from the start of the test: so long a test would decide if the rate goes on. None unless
    the corner is `undecided`, and for a rate exactly at the limit. `verdict` is None where there is no limit.
    """

    corner: Corner
    change_mm: float
    """As measured, end minus start."""
    thermal_change_mm: float
    """What cooling (negative) or warming (positive) did of it; 0 where that is not known."""
    rate_mm_per_h: float
    """Positive for sinking, without the thermal change."""
    expanded_uncertainty_mm_per_h: float
    verdict: Verdict | None
    hours_to_decide: float | None
    budget: Budget

    @property
    def rose(self) -> bool:
        """Whether it rose by more than the uncertainty: levelling may have woken, and hides a leak then."""
        return self.rate_mm_per_h + self.expanded_uncertainty_mm_per_h < 0


@dataclass(frozen=True, slots=True)
class LeakTest:
    """The corners in order, the verdict on the vehicle, and how many hours would decide where none is reached."""

    corners: tuple[CornerLeak, ...]
    verdict: Verdict | None
    hours: float
    hours_to_decide: float | None
    temperature_corrected: bool


def thermal_change_mm(air_column_mm: float, start_deg_c: float, end_deg_c: float) -> float:
    """Change of an air column's length at constant load: -L·(1 - T₁/T₀), mm; negative when it gets colder.

    Parameters
    ----------
    air_column_mm : float
        Length L at the start, mm, above 0.
    start_deg_c, end_deg_c : float
        Temperatures of the air, °C; in the ratio they are in kelvin.

    Raises
    ------
    MetrologyError
        If the length is not a finite number above 0 or a temperature is not above absolute zero.

    Source: Charles' law, V/T constant at constant pressure; the spring's effective area is taken as constant.

    >>> round(thermal_change_mm(300, 20, 10), 2)
    -10.23
    """
    start, end = _kelvin("start_deg_c", start_deg_c), _kelvin("end_deg_c", end_deg_c)
    return -_column(air_column_mm) * (1 - end / start)


def thermal_components(
    air_column_mm: float,
    start_deg_c: float,
    end_deg_c: float,
    standard_uncertainty_k: float = TEMPERATURE_STANDARD_UNCERTAINTY_K,
) -> tuple[Component, Component]:
    """What the two temperatures add to the uncertainty of a change of height, start and end.

    The sensitivities are the derivatives of `thermal_change_mm`: L·T₁/T₀² for the start, L/T₀ for the end.

    Parameters
    ----------
    air_column_mm, start_deg_c, end_deg_c
        As for `thermal_change_mm`.
    standard_uncertainty_k : float
        Of each temperature, the two independent, K, from 0.

    Raises
    ------
    MetrologyError
        As for `thermal_change_mm`, and for a negative uncertainty.

    Source: JCGM 100:2008, 5.1.2.

    >>> [round(part.standard_uncertainty_mm, 2) for part in thermal_components(300, 20, 20)]
    [1.02, 1.02]
    """
    start, end = _kelvin("start_deg_c", start_deg_c), _kelvin("end_deg_c", end_deg_c)
    per_kelvin = _column(air_column_mm) / start
    return (
        Component("temperature_start", per_kelvin * end / start * standard_uncertainty_k),
        Component("temperature_end", per_kelvin * standard_uncertainty_k),
    )


def sinking_verdict(rate: float, expanded_uncertainty: float, limit: float) -> Verdict:
    """One-sided verdict on a sinking rate, all in one unit; a rising corner is within however fast it rises.

    `outside` if rate - U > limit, `within` if rate + U ≤ limit, else `undecided`, which does not pass.

    Raises
    ------
    MetrologyError
        If the limit or the uncertainty is negative, or any argument is not a finite number.

    Source: ILAC-G8:09/2019, guard band w = U, at an upper limit only.

    >>> sinking_verdict(0.4, 0.5, 1.0), sinking_verdict(0.6, 0.5, 1.0), sinking_verdict(1.6, 0.5, 1.0)
    ('within', 'undecided', 'outside')
    """
    if not math.isfinite(rate):
        raise MetrologyError("rate", rate, "a finite number")
    for argument, value in (("expanded_uncertainty", expanded_uncertainty), ("limit", limit)):
        if not (math.isfinite(value) and value >= 0):
            raise MetrologyError(argument, value, "a finite number from 0")
    if rate - expanded_uncertainty > limit:
        return "outside"
    return "within" if rate + expanded_uncertainty <= limit else "undecided"


def hours_to_decide(rate_mm_per_h: float, expanded_uncertainty_mm: float, limit_mm_per_h: float) -> float | None:
    """How long a test from its start to its end would decide, h, if rate and U of the change (mm) stay as they are.

    The rate's uncertainty is U/t, so a verdict comes at `t = U/|rate - limit|`. None where the rate is the limit
    itself: no test decides that.

    >>> hours_to_decide(0.5, 3.0, 1.0), hours_to_decide(1.0, 3.0, 1.0)
    (6.0, None)
    """
    distance = abs(rate_mm_per_h - limit_mm_per_h)
    return expanded_uncertainty_mm / distance if distance > 0 else None


def assess_leak(
    start: ParkedHeights,
    end: ParkedHeights,
    *,
    limit_mm_per_h: float | None,
    air_column_mm: float | None,
    temperature_standard_uncertainty_k: float = TEMPERATURE_STANDARD_UNCERTAINTY_K,
) -> LeakTest:
    """Judge a leak test: per corner the sinking rate ± U, its verdict, and how many hours would decide.

    Marks and settling cancel in the change of height, and so does one and the same instrument; repeatability,
    resolution and the temperatures remain. Without both temperatures or without the air column nothing is corrected,
    and `temperature_corrected` says so.

    Parameters
    ----------
    start, end : ParkedHeights
        Between the same marks; `end` is later.
    limit_mm_per_h : float or None
        The specification's limit; None: rates without verdict.
    air_column_mm : float or None
        The specification's air column L.
    temperature_standard_uncertainty_k : float
        Of each temperature, K.

    Raises
    ------
    MetrologyError
        If the end is not later than the start, or an argument is impossible.

    Source: Charles' law; JCGM 100:2008, 5.1.2, 5.2.2 and G.4; ILAC-G8:09/2019 for the verdict.

    >>> from .readings import PRIOR_REPEATABILITY
    >>> from .uncertainty import Instrument
    >>> def parked(hours: float, height_mm: float, deg_c: float) -> ParkedHeights:
    ...     readings = ((height_mm, height_mm),) * 4
    ...     measured = RoundMeasurement(readings, PRIOR_REPEATABILITY, (Instrument("T1", 1.0, "II"),))
    ...     return ParkedHeights(hours, measured, deg_c)
    >>> test = assess_leak(parked(0, 486, 20), parked(12, 474, 10), limit_mm_per_h=1.0, air_column_mm=300)
    >>> test.verdict, round(test.corners[0].rate_mm_per_h, 2), round(test.corners[0].expanded_uncertainty_mm_per_h, 2)
    ('within', 0.15, 0.3)
    """
    hours = end.hours - start.hours
    if not hours > 0:
        raise MetrologyError("end.hours", end.hours, f"later than the start, {start.hours}")
    thermal_mm, thermal_parts = _thermal(start, end, air_column_mm, temperature_standard_uncertainty_k)
    found = tuple(
        _corner_leak(corner, change_mm, thermal_mm, Budget(budget.components + thermal_parts), hours, limit_mm_per_h)
        for corner, (change_mm, budget) in zip(CORNERS, _changes(start.measured, end.measured), strict=True)
    )
    verdicts = [each.verdict for each in found if each.verdict is not None]
    verdict = joint_verdict(verdicts) if verdicts else None
    return LeakTest(
        corners=found,
        verdict=verdict,
        hours=hours,
        hours_to_decide=_longest(found) if verdict == "undecided" else None,
        temperature_corrected=bool(thermal_parts),
    )


def _thermal(
    start: ParkedHeights, end: ParkedHeights, air_column_mm: float | None, standard_uncertainty_k: float
) -> tuple[float, tuple[Component, ...]]:
    """The thermal change and its part of the budget; nothing where they cannot be known."""
    before, after = start.temperature_deg_c, end.temperature_deg_c
    if before is None or after is None or air_column_mm is None:
        return 0.0, ()
    parts = thermal_components(air_column_mm, before, after, standard_uncertainty_k)
    return thermal_change_mm(air_column_mm, before, after), parts


def _changes(start: RoundMeasurement, end: RoundMeasurement) -> Iterable[tuple[float, Budget]]:
    """Change of height, mm, and its budget at each corner."""
    same = start.one_instrument and end.one_instrument and start.instruments[0].identity == end.instruments[0].identity
    for first, last in corner_rounds([start, end]):
        # A parked vehicle does not settle anew.
        before, after = pool_corner([first], settling_mm=0.0), pool_corner([last], settling_mm=0.0)
        budget = change_budget(before.budget, after.budget, same_instrument=same)
        remaining = tuple(part for part in budget.components if part.name != "settling")
        yield after.mean_mm - before.mean_mm, Budget(remaining)


def _corner_leak(
    corner: Corner, change_mm: float, thermal_mm: float, budget: Budget, hours: float, limit: float | None
) -> CornerLeak:
    rate = -(change_mm - thermal_mm) / hours
    expanded_mm = budget.expanded_uncertainty_mm
    verdict, wanted = None, None
    if limit is not None:
        verdict = sinking_verdict(rate, expanded_mm / hours, limit)
        wanted = hours_to_decide(rate, expanded_mm, limit) if verdict == "undecided" else None
    return CornerLeak(
        corner=corner,
        change_mm=change_mm,
        thermal_change_mm=thermal_mm,
        rate_mm_per_h=rate,
        expanded_uncertainty_mm_per_h=expanded_mm / hours,
        verdict=verdict,
        hours_to_decide=wanted,
        budget=budget,
    )


def _longest(corners: Sequence[CornerLeak]) -> float | None:
    """What the slowest undecided corner needs; None if one of them never decides."""
    wanted = [each.hours_to_decide for each in corners if each.verdict == "undecided"]
    return None if None in wanted else max(hours for hours in wanted if hours is not None)


def _kelvin(argument: str, deg_c: float) -> float:
    if not (math.isfinite(deg_c) and deg_c > -ZERO_CELSIUS_K):
        raise MetrologyError(argument, deg_c, "a temperature above absolute zero, °C")
    return deg_c + ZERO_CELSIUS_K


def _column(air_column_mm: float) -> float:
    if not (math.isfinite(air_column_mm) and air_column_mm > 0):
        raise MetrologyError("air_column_mm", air_column_mm, "a finite number above 0")
    return air_column_mm
