"""How good the measurements are: crossed gauge study by analysis of variance, all factors random and balanced.

The factors are the parts (corners of parked vehicles), the appraisers and, if wanted, the equipment (instruments);
each cell holds the same number of replicates. Every value is in millimetres. How well one person repeats readings over
time is `reading_history`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

from .errors import MetrologyError

PART = "part"
FACTORS = (PART, "appraiser", "equipment")
REPEATABILITY = "repeatability"
POOLING_SIGNIFICANCE = 0.25
"""An interaction above this p is pooled into repeatability: common practice, no source. The usual 0.05 pools more
readily and then hides an interaction that a small study shows only weakly."""
STUDY_SPREAD = 6.0
"""Standard deviations that a share of the tolerance counts (AIAG MSA, 4th edition; earlier ones took 5.15)."""
CATEGORIES_FACTOR = 1.41
"""√2 as AIAG MSA, 4th edition, prints it."""

BINARY_ROUNDING = 1e-13
"""Relative size of what sums of equal decimal readings may differ by."""

Values = NDArray[np.float64]
Factors = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Source:
    """A line of the analysis of variance. `factors` is empty for repeatability (within cells).

    `variance_ratio` F and `significance` p are None where no single line is the error term (for repeatability, and for
    factors under more than one interaction) and where the error term did not vary at all.
    """

    factors: Factors
    sum_of_squares: float
    degrees_of_freedom: int
    variance_ratio: float | None = None
    significance: float | None = None

    @property
    def name(self) -> str:
        """The factors joined by `:`, or `repeatability`."""
        return ":".join(self.factors) or REPEATABILITY

    @property
    def mean_square(self) -> float:
        return self.sum_of_squares / self.degrees_of_freedom


@dataclass(frozen=True, slots=True)
class Share:
    """What one source, or several together, make of the whole: standard deviation, mm, and shares in %.

    `contribution_pct` is of the variances and adds up; `study_variation_pct` is of the standard deviations;
    `tolerance_pct` is six of them over the width of the tolerance, None without tolerance. The first two are None where
    nothing varied at all.
    """

    standard_deviation_mm: float
    contribution_pct: float | None
    study_variation_pct: float | None
    tolerance_pct: float | None


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """The result of a crossed gauge study.

    `table` is the analysis before pooling, `pooled` the names of the interactions put into repeatability, `components`
    the share of each source kept. `reproducibility` is all that comes with the appraiser or the equipment;
    `measurement` that and repeatability; `part` the parts; `total` everything.
    """

    table: tuple[Source, ...]
    pooled: tuple[str, ...]
    components: Mapping[str, Share]
    repeatability: Share
    reproducibility: Share
    measurement: Share
    part: Share
    total: Share
    distinct_categories: int | None
    """Number of groups of parts that the measurements can tell apart, at least 1; None where they show no spread."""


def crossed_anova(values_mm: ArrayLike, factors: Sequence[str]) -> tuple[Source, ...]:
    """Analysis of variance of a balanced, fully crossed study with replicates, all factors random.

    Sums of squares are of differences from means, so large values with small differences lose nothing. A line's F is
    against the only line of one factor more that holds it, or repeatability; where several do, no exact F test exists.

    Parameters
    ----------
    values_mm : array_like, shape (levels of the first factor, …, levels of the last factor, replicates)
        At least two of each.
    factors : sequence of str
        A name for each axis but the last.

    Returns
    -------
    tuple of Source
        Main effects, interactions by order, repeatability last.

    Raises
    ------
    MetrologyError
        If the shape does not fit the factors, an axis has fewer than two entries, or a value is not finite.

    Source: textbook analysis of variance, random model (Montgomery, Design and Analysis of Experiments).

    >>> [(line.name, round(line.mean_square, 6)) for line in crossed_anova([[1.0, 2.0], [3.0, 4.0]], ["part"])]
    [('part', 4.0), ('repeatability', 0.5)]
    """
    names = tuple(factors)
    values = _checked(values_mm, names)
    rounding = values.size * (BINARY_ROUNDING * float(np.abs(values).max())) ** 2
    lines = {kept: _effect(values, names, kept, rounding) for kept in _subsets(names)}
    within = values - values.mean(axis=-1, keepdims=True)
    freedom = values[..., 0].size * (values.shape[-1] - 1)
    error = Source((), _above(rounding, float(np.sum(within**2))), freedom)
    return (*(_tested(line, lines, error) for line in lines.values()), error)


def study(values_mm: ArrayLike, tolerance_mm: float | None = None) -> GaugeStudy:
    """Crossed gauge study: variance components, shares of tolerance and of the study's variation, categories.

    Interactions are looked at from the highest order down: one whose F against what then counts as repeatability has p
    above 0.25 is pooled into it; what a kept interaction holds is kept too. Components solve `MS = E(MS)` for the lines
    kept; a negative one is 0.

    Parameters
    ----------
    values_mm : array_like, shape (parts, appraisers, replicates) or (parts, appraisers, equipment, replicates)
        At least two of each: deviations from target, mm, so that different targets are no spread of the parts.
    tolerance_mm : float or None
        Half-width of the tolerance, mm, above 0.

    Raises
    ------
    MetrologyError
        As for `crossed_anova`, or if the tolerance is not a finite number above 0.

    Source: AIAG MSA, 4th edition, ANOVA method, for two factors; the rule for pooling is common practice, no source.

    >>> found = study([[[1.0, 1.2], [1.1, 1.1]], [[5.0, 5.1], [5.3, 5.2]], [[9.0, 9.1], [9.0, 9.2]]], tolerance_mm=6)
    >>> found.pooled, found.distinct_categories, round(found.measurement.tolerance_pct, 1)
    (('part:appraiser',), 52, 5.4)
    """
    values = np.asarray(values_mm, dtype=np.float64)
    factors = FACTORS[: max(values.ndim - 1, 2)]
    if tolerance_mm is not None and not (math.isfinite(tolerance_mm) and tolerance_mm > 0):
        raise MetrologyError("tolerance_mm", tolerance_mm, "a finite number above 0, or None")
    table = crossed_anova(values, factors)
    kept, error = _pooled(table)
    variances = _components(kept, error, dict(zip(factors, values.shape, strict=False)), values.shape[-1])
    return _result(table, variances, tolerance_mm)


def _checked(values_mm: ArrayLike, factors: Factors) -> Values:
    values = np.asarray(values_mm, dtype=np.float64)
    if not factors or values.ndim != len(factors) + 1 or min(values.shape) < 2:
        raise MetrologyError("values_mm", values.shape, f"two or more of each of {', '.join(factors)} and replicates")
    if not np.isfinite(values).all():
        raise MetrologyError("values_mm", values_mm, "finite numbers")
    return values


def _subsets(factors: Factors) -> list[Factors]:
    return [kept for order in range(1, len(factors) + 1) for kept in combinations(factors, order)]


def _above(rounding: float, sum_of_squares: float) -> float:
    """What is no more than binary rounding of equal values is no spread."""
    return sum_of_squares if sum_of_squares > rounding else 0.0


def _effect(values: Values, factors: Factors, kept: Factors, rounding: float) -> Source:
    """Sum of squares of a main effect or interaction: cell means less the effects of all it holds."""
    effect = values
    for axis, factor in enumerate(factors):
        means = effect.mean(axis=axis, keepdims=True)
        effect = effect - means if factor in kept else means
    effect = effect.mean(axis=-1)
    freedom = math.prod(levels - 1 for levels, factor in zip(values.shape, factors, strict=False) if factor in kept)
    return Source(kept, _above(rounding, float(np.sum(effect**2)) * values.size / effect.size), freedom)


def _tested(line: Source, lines: Mapping[Factors, Source], error: Source) -> Source:
    """The line with its F against its error term, where there is one."""
    above = [each for each in lines.values() if set(line.factors) < set(each.factors)]
    next_order = [each for each in above if len(each.factors) == len(line.factors) + 1]
    if len(next_order) > 1:
        return line
    denominator = next_order[0] if next_order else error
    return _against(line, denominator)


def _against(line: Source, denominator: Source) -> Source:
    if denominator.sum_of_squares == 0:
        return line
    ratio = line.mean_square / denominator.mean_square
    significance = float(fdtrc(line.degrees_of_freedom, denominator.degrees_of_freedom, ratio))
    return Source(line.factors, line.sum_of_squares, line.degrees_of_freedom, ratio, significance)


def _pooled(table: Sequence[Source]) -> tuple[list[Source], Source]:
    """The lines kept, and repeatability with the others in it. Lines of one order are looked at side by side."""
    *lines, error = table
    kept: list[Source] = []
    for order in range(len(lines[-1].factors), 0, -1):
        of_order = [line for line in lines if len(line.factors) == order]
        pooled = [line for line in of_order if order > 1 and _is_pooled(line, kept, error)]
        kept = [line for line in of_order if line not in pooled] + kept
        error = Source(
            (),
            math.fsum(each.sum_of_squares for each in (error, *pooled)),
            sum(each.degrees_of_freedom for each in (error, *pooled)),
        )
    return kept, error


def _is_pooled(line: Source, kept: Sequence[Source], error: Source) -> bool:
    """Whether an interaction is no more than repeatability, and none that is kept holds it."""
    significance = _against(line, error).significance
    held = any(set(line.factors) < set(each.factors) for each in kept)
    return not held and significance is not None and significance > POOLING_SIGNIFICANCE


def _components(
    kept: Sequence[Source], error: Source, levels: Mapping[str, int], replicates: int
) -> dict[Factors, float]:
    """Variance components, mm²: of each kept line and, under (), of repeatability; none below 0.

    E(MS) of a line is the variance of repeatability plus, for the line itself and each kept one that holds it, that
    one's component times the number of values to each of its levels.
    """

    def expected(line: Source, other: Source) -> float:
        within = set(line.factors) <= set(other.factors)
        return replicates * math.prod(n for name, n in levels.items() if name not in other.factors) if within else 0.0

    matrix = np.array([[expected(line, other) for other in kept] for line in kept])
    excess = np.array([line.mean_square - error.mean_square for line in kept])
    solved = np.linalg.solve(matrix, excess)
    found = {line.factors: max(float(variance), 0.0) for line, variance in zip(kept, solved, strict=True)}
    return {**found, (): error.mean_square}


def _result(table: tuple[Source, ...], variances: Mapping[Factors, float], tolerance_mm: float | None) -> GaugeStudy:
    total = math.fsum(variances.values())
    part = variances[(PART,)]
    repeatability = variances[()]
    others = math.fsum(variance for factors, variance in variances.items() if factors not in ((), (PART,)))

    def share(variance: float) -> Share:
        return _share(variance, total, tolerance_mm)

    return GaugeStudy(
        table=table,
        pooled=tuple(line.name for line in table if line.factors not in variances),
        components={line.name: share(variances[line.factors]) for line in table if line.factors in variances},
        repeatability=share(repeatability),
        reproducibility=share(others),
        measurement=share(repeatability + others),
        part=share(part),
        total=share(total),
        distinct_categories=_categories(part, repeatability + others),
    )


def _share(variance: float, total: float, tolerance_mm: float | None) -> Share:
    deviation = math.sqrt(variance)
    return Share(
        standard_deviation_mm=deviation,
        contribution_pct=100 * variance / total if total else None,
        study_variation_pct=100 * math.sqrt(variance / total) if total else None,
        tolerance_pct=100 * STUDY_SPREAD * deviation / (2 * tolerance_mm) if tolerance_mm else None,
    )


def _categories(part: float, measurement: float) -> int | None:
    """AIAG MSA: 1.41·PV/GRR, truncated; measurements that tell nothing apart see one category."""
    return max(1, math.floor(CATEGORIES_FACTOR * math.sqrt(part / measurement))) if measurement else None
