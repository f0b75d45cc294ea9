"""Decisions against a tolerance with the measurement uncertainty accounted for.

Sources: JCGM 106:2012; ILAC-G8:09/2019, guard band w = U. Every length is in millimetres.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from scipy.special import ndtr

from .errors import MetrologyError

if TYPE_CHECKING:
    from collections.abc import Iterable

Verdict = Literal["within", "outside", "undecided"]


def verdict(deviation_mm: float, expanded_uncertainty_mm: float, limit_mm: float) -> Verdict:
    """Verdict on a deviation against ± limit with guard bands of one U on either side of the limit.

    `within` if |d| + U ≤ limit, `outside` if |d| - U > limit, else `undecided`.

    Raises
    ------
    MetrologyError
        If the limit or the uncertainty is negative or not a number.

    Source: ILAC-G8:09/2019 (w = U); JCGM 106:2012, 8.3.

    >>> verdict(3.3, 2.6, 6.0), verdict(-3.5, 2.6, 6.0), verdict(11.5, 2.6, 6.0)
    ('within', 'undecided', 'outside')
    """
    _check_not_negative("limit_mm", limit_mm)
    _check_not_negative("expanded_uncertainty_mm", expanded_uncertainty_mm)
    if abs(deviation_mm) + expanded_uncertainty_mm <= limit_mm:
        return "within"
    return "outside" if abs(deviation_mm) - expanded_uncertainty_mm > limit_mm else "undecided"


def conformance_probability(deviation_mm: float, standard_uncertainty_mm: float, limit_mm: float) -> float:
    """Probability that the true deviation lies within ± limit, for a normal distribution with u_c.

    `p = Φ((limit - d)/u) - Φ((-limit - d)/u)`; with u = 0 it is 1 or 0.

    Raises
    ------
    MetrologyError
        If the limit or the uncertainty is negative or not a number.

    Source: JCGM 106:2012, 7.2 (two-sided tolerance interval, normal distribution).

    >>> round(conformance_probability(11.5, 1.323, 6.0), 5)
    2e-05
    """
    _check_not_negative("limit_mm", limit_mm)
    _check_not_negative("standard_uncertainty_mm", standard_uncertainty_mm)
    size = abs(deviation_mm)
    if standard_uncertainty_mm == 0:
        return 1.0 if size <= limit_mm else 0.0
    # With |d|, a small probability is a difference on the lower tail, where Φ keeps its precision.
    upper = ndtr((limit_mm - size) / standard_uncertainty_mm)
    return float(upper - ndtr((-limit_mm - size) / standard_uncertainty_mm))


def is_significant(deviation_mm: float, expanded_uncertainty_mm: float) -> bool:
    """Whether a deviation is larger than its own expanded uncertainty: |d| > U.

    >>> is_significant(3.0, 2.6), is_significant(-2.0, 2.6)
    (True, False)
    """
    return abs(deviation_mm) > expanded_uncertainty_mm


def joint_verdict(verdicts: Iterable[Verdict]) -> Verdict:
    """`outside` if any is, else `undecided` if any is, else `within`.

    >>> joint_verdict(["within", "undecided"]), joint_verdict([])
    ('undecided', 'within')
    """
    given = set(verdicts)
    if "outside" in given:
        return "outside"
    return "undecided" if "undecided" in given else "within"


def fewest_to_decide(deviation_mm: float, limit_mm: float, expanded_uncertainties_mm: Iterable[float]) -> int | None:
    """How many further steps would decide at the present deviation; None if none of those given would.

    Parameters
    ----------
    deviation_mm, limit_mm : float
        Present deviation and its limit, mm.
    expanded_uncertainties_mm : iterable of float
        U expected after 1, 2, 3, … further steps (readings or rounds), mm. Taken only as far as needed.

    >>> fewest_to_decide(4.0, 6.0, [2.4, 2.1, 1.9, 1.7]), fewest_to_decide(5.9, 6.0, [2.4, 2.1])
    (3, None)
    """
    for steps, expanded in enumerate(expanded_uncertainties_mm, start=1):
        if verdict(deviation_mm, expanded, limit_mm) != "undecided":
            return steps
    return None


def _check_not_negative(argument: str, value: float) -> None:
    if not value >= 0:
        raise MetrologyError(argument, value, "a number from 0")
