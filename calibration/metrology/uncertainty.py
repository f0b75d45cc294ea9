"""Uncertainty budgets: components, root sum of squares, effective degrees of freedom, coverage factor.

Source: JCGM 100:2008 (GUM), clauses 5.1.2, 4.3.7, G.3, G.4. Every length is in millimetres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from scipy.special import ndtri, stdtrit

from .errors import MetrologyError

if TYPE_CHECKING:
    from collections.abc import Iterable

AccuracyClass = Literal["I", "II", "III"]

COVERAGE_PROBABILITY = 0.95
MARK_HALF_WIDTH_MM = 1.0
MPE_COEFFICIENTS: dict[AccuracyClass, tuple[float, float, float]] = {
    "I": (0.1, 0.1, 0.1),
    "II": (0.3, 0.2, 0.2),
    "III": (0.6, 0.4, 0.3),
}
"""a in mm, b in mm per metre, c in mm: Directive 2014/32/EU, Annex X, chapter I."""


@dataclass(frozen=True, slots=True)
class Component:
    """One line of a budget, already multiplied by its sensitivity coefficient.

    `common_to_rounds` and `common_to_sides` say whether the same unknown error is in every round of a job,
    and in the left and the right corner of one round: it then drops out of the matching difference.
    """

    name: str
    standard_uncertainty_mm: float
    degrees_of_freedom: float = math.inf
    common_to_rounds: bool = False
    common_to_sides: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.standard_uncertainty_mm) and self.standard_uncertainty_mm >= 0):
            raise MetrologyError(
                "standard_uncertainty_mm",
                self.standard_uncertainty_mm,
                "a finite number from 0",
            )
        if not self.degrees_of_freedom >= 1:
            raise MetrologyError("degrees_of_freedom", self.degrees_of_freedom, "a number from 1")


@dataclass(frozen=True, slots=True)
class Budget:
    """The components of one result and what follows from them."""

    components: tuple[Component, ...]

    @property
    def standard_uncertainty_mm(self) -> float:
        """Combined standard uncertainty u_c: root sum of squares (GUM 5.1.2, independent components)."""
        return root_sum_of_squares(part.standard_uncertainty_mm for part in self.components)

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom, truncated to a whole number; inf for a pure Type B budget."""
        return effective_degrees_of_freedom(self.components)

    @property
    def coverage_factor(self) -> float:
        """Two-sided 95 % Student factor for the effective degrees of freedom."""
        return coverage_factor(self.degrees_of_freedom)

    @property
    def expanded_uncertainty_mm(self) -> float:
        """U = t₀.₉₅(nu_eff)·u_c."""
        return self.coverage_factor * self.standard_uncertainty_mm

    def standard_uncertainty_of(self, name: str) -> float:
        """Standard uncertainty of the component of that name, mm; 0 if the budget has none."""
        return root_sum_of_squares(part.standard_uncertainty_mm for part in self.components if part.name == name)


@dataclass(frozen=True, slots=True)
class CalibrationCertificate:
    """What a calibration certificate states of an instrument."""

    expanded_uncertainty_mm: float
    coverage_factor: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.expanded_uncertainty_mm) and self.expanded_uncertainty_mm >= 0):
            raise MetrologyError(
                "expanded_uncertainty_mm",
                self.expanded_uncertainty_mm,
                "a finite number from 0",
            )
        if not (math.isfinite(self.coverage_factor) and self.coverage_factor > 0):
            raise MetrologyError("coverage_factor", self.coverage_factor, "a finite number above 0")


@dataclass(frozen=True, slots=True)
class Instrument:
    """A tape, rule or laser with its accuracy class or, where there is one, its calibration certificate.

    `identity` tells instruments apart: two tapes of one class have different errors. `hook_end` says that an
    end surface (hook or butt) is used.
    """

    identity: str
    resolution_mm: float
    accuracy: AccuracyClass | CalibrationCertificate
    hook_end: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.resolution_mm) and self.resolution_mm > 0):
            raise MetrologyError("resolution_mm", self.resolution_mm, "a finite number above 0")

    def standard_uncertainty_mm(self, length_mm: float) -> float:
        """Standard uncertainty of the instrument at a measured length, mm.

        A certificate gives U/k; a class gives its maximum permissible error as the half-width of a
        rectangular distribution (GUM 4.3.7).

        >>> round(Instrument("T1", 1.0, "II").standard_uncertainty_mm(742), 4)
        0.2887
        """
        if isinstance(self.accuracy, CalibrationCertificate):
            return self.accuracy.expanded_uncertainty_mm / self.accuracy.coverage_factor
        return rectangular(maximum_permissible_error_mm(self.accuracy, length_mm, hook_end=self.hook_end))


def maximum_permissible_error_mm(accuracy_class: AccuracyClass, length_mm: float, *, hook_end: bool = False) -> float:
    """Maximum permissible error of a material measure of length: a + b·L, L in metres rounded up, + c.

    Parameters
    ----------
    accuracy_class : "I", "II" or "III"
    length_mm : float
        Measured length, mm, above 0.
    hook_end : bool
        An end surface (hook or butt) is used: c is added.

    Raises
    ------
    MetrologyError
        If the class is unknown or the length is not a finite number above 0.

    Source: Directive 2014/32/EU, Annex X, chapter I.

    >>> maximum_permissible_error_mm("II", 1001)
    0.7
    """
    if accuracy_class not in MPE_COEFFICIENTS:
        raise MetrologyError("accuracy_class", accuracy_class, "I, II or III")
    if not (math.isfinite(length_mm) and length_mm > 0):
        raise MetrologyError("length_mm", length_mm, "a finite number above 0")
    a, b, c = MPE_COEFFICIENTS[accuracy_class]
    return a + b * math.ceil(length_mm / 1000) + (c if hook_end else 0.0)


def rectangular(half_width_mm: float) -> float:
    """Standard uncertainty of a rectangular distribution of half-width a: a/√3 (GUM 4.3.7).

    >>> round(rectangular(1.0), 4)
    0.5774
    """
    return half_width_mm / math.sqrt(3)


def resolution_standard_uncertainty_mm(resolution_mm: float) -> float:
    """Standard uncertainty of a reading of resolution δ: δ/√12 (GUM F.2.2.1).

    >>> round(resolution_standard_uncertainty_mm(1.0), 4)
    0.2887
    """
    return resolution_mm / math.sqrt(12)


def root_sum_of_squares(values_mm: Iterable[float]) -> float:
    """Combined standard uncertainty of independent components (GUM 5.1.2).

    >>> root_sum_of_squares([3.0, 4.0])
    5.0
    """
    return math.hypot(*values_mm)


def effective_degrees_of_freedom(components: Iterable[Component]) -> float:
    """Welch-Satterthwaite degrees of freedom, truncated down to a whole number (GUM G.4.1).

    `nu_eff = u_c⁴ / Σ(u_i⁴/nu_i)`; components of infinite degrees of freedom add nothing to the sum, and a
    budget of nothing else has infinitely many.

    >>> effective_degrees_of_freedom([Component("a", 1.0, 10)] * 4)
    40.0
    """
    parts = tuple(components)
    combined = root_sum_of_squares(part.standard_uncertainty_mm for part in parts)
    if combined == 0:
        return math.inf
    spread = sum((part.standard_uncertainty_mm / combined) ** 4 / part.degrees_of_freedom for part in parts)
    # The tiny factor undoes binary rounding: 40 must not become 39.
    return float(math.floor((1 + 1e-12) / spread)) if spread > 0 else math.inf


def coverage_factor(degrees_of_freedom: float, probability: float = COVERAGE_PROBABILITY) -> float:
    """Two-sided Student factor t_p(nu); the normal one for infinite nu (GUM G.3).

    Raises
    ------
    MetrologyError
        If there is less than one degree of freedom or the probability is not between 0 and 1.

    >>> round(coverage_factor(16, 0.99), 2), round(coverage_factor(math.inf), 2)
    (2.92, 1.96)
    """
    if not degrees_of_freedom >= 1:
        raise MetrologyError("degrees_of_freedom", degrees_of_freedom, "a number from 1")
    if not 0 < probability < 1:
        raise MetrologyError("probability", probability, "a number between 0 and 1")
    upper = (1 + probability) / 2
    if math.isinf(degrees_of_freedom):
        return float(ndtri(upper))
    return float(stdtrit(degrees_of_freedom, upper))


def side_difference_budget(left: Budget, right: Budget) -> Budget:
    """Budget of left minus right in the same rounds: what is common to both sides drops out.

    Raises
    ------
    MetrologyError
        If the two budgets do not list the same components.

    Source: GUM 5.2.2 with correlation 1 for the common components.

    >>> tape = Component("instrument", 0.3, common_to_sides=True)
    >>> side = Budget((Component("repeatability", 3.0, 8), tape))
    >>> [round(part.standard_uncertainty_mm, 3) for part in side_difference_budget(side, side).components]
    [4.243]
    """
    return _difference((a, b) for a, b in _paired(left, right) if not (a.common_to_sides and b.common_to_sides))


def change_budget(before: Budget, after: Budget, *, same_instrument: bool) -> Budget:
    """Budget of after minus before at one corner of one job: marks and the same instrument drop out.

    Raises
    ------
    MetrologyError
        If the two budgets do not list the same components.

    Source: GUM 5.2.2 with correlation 1 for the common components.

    >>> tape = Component("instrument", 0.3, common_to_rounds=True)
    >>> corner = Budget((Component("repeatability", 3.0, 8), tape))
    >>> [part.name for part in change_budget(corner, corner, same_instrument=True).components]
    ['repeatability']
    >>> [part.name for part in change_budget(corner, corner, same_instrument=False).components]
    ['repeatability', 'instrument']
    """
    return _difference(
        (a, b)
        for a, b in _paired(before, after)
        if not (a.common_to_rounds and b.common_to_rounds and (same_instrument or a.name != "instrument"))
    )


def _paired(first: Budget, second: Budget) -> Iterable[tuple[Component, Component]]:
    names = [part.name for part in first.components]
    if names != [part.name for part in second.components]:
        raise MetrologyError(
            "components",
            [part.name for part in second.components],
            f"the same as {names}",
        )
    return zip(first.components, second.components, strict=True)


def _difference(pairs: Iterable[tuple[Component, Component]]) -> Budget:
    """Root sum of squares line by line. Both sides rest on one estimate of s_r, so the degrees of freedom do
    not add up: the smaller counts."""
    return Budget(
        tuple(
            replace(
                a,
                standard_uncertainty_mm=math.hypot(a.standard_uncertainty_mm, b.standard_uncertainty_mm),
                degrees_of_freedom=min(a.degrees_of_freedom, b.degrees_of_freedom),
            )
            for a, b in pairs
        )
    )
