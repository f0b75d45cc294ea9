"""Rounds of measurement and their pooled value at each corner, with its uncertainty budget.

Sources: JCGM 100:2008 (GUM); inverse-variance weighted mean. Every length is in millimetres, every tuple of
four in the order of `CORNERS`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from .corners import CORNERS
from .errors import MetrologyError
from .readings import CornerEstimate, Estimator, Repeatability, estimate
from .uncertainty import (
    MARK_HALF_WIDTH_MM,
    Budget,
    Component,
    Instrument,
    rectangular,
    resolution_standard_uncertainty_mm,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

READINGS_OF_A_FURTHER_ROUND = 2


@dataclass(frozen=True, slots=True)
class RoundMeasurement:
    """One settled round at normal ride position, as the calculations see it.

    Attributes
    ----------
    readings_mm : four tuples of float, 1 to 20 readings each
        The unstruck readings of each corner.
    repeatability : Repeatability
        As known before the round and frozen into it; of several persons or instruments the largest.
    instruments : tuple of Instrument
        Every instrument used in the round, each once.
    identity : str
        The caller's name for the round, handed through to the assessment.
    """

    readings_mm: tuple[tuple[float, ...], ...]
    repeatability: Repeatability
    instruments: tuple[Instrument, ...]
    identity: str = ""

    def __post_init__(self) -> None:
        if len(self.readings_mm) != len(CORNERS):
            raise MetrologyError("readings_mm", self.readings_mm, "readings of four corners")
        if not self.instruments:
            raise MetrologyError("instruments", self.instruments, "at least one instrument")

    @property
    def resolution_mm(self) -> float:
        """The coarsest resolution of the instruments used."""
        return max(instrument.resolution_mm for instrument in self.instruments)

    @property
    def one_instrument(self) -> bool:
        """Whether one instrument measured all corners, so that its error is the same left and right."""
        return len({instrument.identity for instrument in self.instruments}) == 1

    def estimates(self) -> tuple[CornerEstimate, ...]:
        """The value of each corner under the repeat rule."""
        spread = self.repeatability.standard_deviation_mm
        return tuple(estimate(readings, spread, self.resolution_mm) for readings in self.readings_mm)


@dataclass(frozen=True, slots=True)
class CornerRound:
    """What one round contributes at one corner."""

    value_mm: float
    readings: int
    estimator: Estimator
    repeatability_factor: float
    repeatability: Repeatability
    resolution_mm: float
    instrument_standard_uncertainty_mm: float
    one_instrument: bool

    @property
    def repeatability_mm(self) -> float:
        """Repeatability component of this round's value: s_r/√n, times 1.25 for a median."""
        spread = self.repeatability.standard_deviation_mm
        return self.repeatability_factor * spread / math.sqrt(self.readings)

    def with_more_readings(self, further: int) -> CornerRound:
        """This round as it would stand after further readings that leave its value where it is."""
        return replace(self, readings=self.readings + further)

    def repeated(self) -> CornerRound:
        """A further round of two readings, by the same hand with the same instrument, at the same value."""
        return replace(
            self,
            readings=READINGS_OF_A_FURTHER_ROUND,
            estimator="mean",
            repeatability_factor=1.0,
        )


@dataclass(frozen=True, slots=True)
class PooledCorner:
    """The pooled value of one corner; `budget` lists repeatability, settling, resolution, mark_placement and
    instrument, in this order."""

    mean_mm: float
    readings: int
    rounds: int
    estimator: Estimator
    budget: Budget


def pool_corner(corner_rounds: Sequence[CornerRound], settling_mm: float) -> PooledCorner:
    """Pool the rounds of one corner: inverse-variance weighted mean and its budget.

    The weights come from what changes from round to round, repeatability and settling. Those two components
    fall with the readings and rounds pooled; resolution, marks and instrument do not. The s_r of the rounds
    are one growing estimate, so the smallest of their degrees of freedom counts.

    Parameters
    ----------
    corner_rounds : sequence of CornerRound, at least one
        Consecutive rounds with unchanged set-points; the caller decides which belong together.
    settling_mm : float
        Half-width a of the settled height from round to round, mm, from 0.

    Returns
    -------
    PooledCorner

    Raises
    ------
    MetrologyError
        If there is no round or the settling half-width is negative or not a number.

    Source: GUM 4.3.7, 5.1.2; weighted mean with weights 1/u².

    >>> tape = CornerRound(497.5, 2, "mean", 1.0, Repeatability(1.0, 12), 1.0, 0.5 / math.sqrt(3), True)
    >>> pooled = pool_corner([tape], settling_mm=1.5)
    >>> round(pooled.budget.standard_uncertainty_mm, 2), round(pooled.budget.expanded_uncertainty_mm, 2)
    (1.32, 2.61)
    """
    if not corner_rounds:
        raise MetrologyError("corner_rounds", tuple(corner_rounds), "at least one round")
    if not (math.isfinite(settling_mm) and settling_mm >= 0):
        raise MetrologyError("settling_mm", settling_mm, "a finite number from 0")
    weights = _weights(corner_rounds, settling_mm)
    pairs = tuple(zip(weights, corner_rounds, strict=True))
    return PooledCorner(
        mean_mm=math.fsum(weight * each.value_mm for weight, each in pairs),
        readings=sum(each.readings for each in corner_rounds),
        rounds=len(corner_rounds),
        estimator="median" if any(each.estimator == "median" for each in corner_rounds) else "mean",
        budget=_budget(pairs, settling_mm),
    )


def corner_rounds(
    rounds: Sequence[RoundMeasurement],
) -> tuple[tuple[CornerRound, ...], ...]:
    """The contributions of the rounds, corner by corner: four tuples, each as long as `rounds`."""
    by_round = [_corner_rounds_of(each) for each in rounds]
    return tuple(tuple(of_round[index] for of_round in by_round) for index in range(len(CORNERS)))


def pool(rounds: Sequence[RoundMeasurement], settling_mm: float) -> tuple[PooledCorner, ...]:
    """Pool whole rounds; the four corners in the order of `CORNERS`. With one round: that round's values.

    Parameters and errors as for `pool_corner`.

    >>> tape = Instrument("tape 1", 1.0, "II")
    >>> readings = ((497.0, 498.0), (496.0, 496.0), (507.0, 508.0), (502.0, 503.0))
    >>> measured = RoundMeasurement(readings, Repeatability(1.0, 12), (tape,))
    >>> [corner.mean_mm for corner in pool([measured], settling_mm=1.5)]
    [497.5, 496.0, 507.5, 502.5]
    """
    return tuple(pool_corner(of_corner, settling_mm) for of_corner in corner_rounds(rounds))


def _corner_rounds_of(measured: RoundMeasurement) -> tuple[CornerRound, ...]:
    return tuple(
        CornerRound(
            value_mm=found.value_mm,
            readings=found.readings,
            estimator=found.estimator,
            repeatability_factor=found.repeatability_factor,
            repeatability=measured.repeatability,
            resolution_mm=measured.resolution_mm,
            instrument_standard_uncertainty_mm=max(
                instrument.standard_uncertainty_mm(found.value_mm) for instrument in measured.instruments
            ),
            one_instrument=measured.one_instrument,
        )
        for found in measured.estimates()
    )


def _weights(corner_rounds: Sequence[CornerRound], settling_mm: float) -> tuple[float, ...]:
    settling_variance = rectangular(settling_mm) ** 2
    inverse = [1 / (each.repeatability_mm**2 + settling_variance) for each in corner_rounds]
    total = math.fsum(inverse)
    return tuple(value / total for value in inverse)


def _budget(pairs: Sequence[tuple[float, CornerRound]], settling_mm: float) -> Budget:
    parts = [each for _, each in pairs]
    return Budget(
        (
            Component(
                "repeatability",
                math.hypot(*(weight * each.repeatability_mm for weight, each in pairs)),
                min(each.repeatability.degrees_of_freedom for each in parts),
            ),
            Component(
                "settling",
                rectangular(settling_mm) * math.hypot(*(weight for weight, _ in pairs)),
            ),
            Component(
                "resolution",
                resolution_standard_uncertainty_mm(max(each.resolution_mm for each in parts)),
            ),
            Component("mark_placement", rectangular(MARK_HALF_WIDTH_MM), common_to_rounds=True),
            Component(
                "instrument",
                max(each.instrument_standard_uncertainty_mm for each in parts),
                common_to_rounds=True,
                common_to_sides=all(each.one_instrument for each in parts),
            ),
        )
    )
