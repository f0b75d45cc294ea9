"""How a figure is rounded to be shown: once, and so that figures which belong together agree."""

from __future__ import annotations

from decimal import ROUND_HALF_DOWN, ROUND_HALF_UP, Context, Decimal
from typing import Final

_EXACT: Final = Context(prec=12)
"""Digits beyond which a float is noise: 484.85 − 485 is −0.15 to a reader, not −0.14999999999997726."""


def to_places(value: float | Decimal, decimals: int) -> Decimal:
    """A half goes up, whatever the sign: then a height less its target is the deviation beside them also in what is
    shown, for a target of no more decimals. Half away from zero would show 484.75 as 484.8, and its −0.25 from
    485.0 as −0.3. Verdicts rest on values that were never rounded. (In inches a target is no round figure, and they
    may differ by one in the last place.)

    >>> to_places(484.75, 1), to_places(484.75 - 485, 1), to_places(484.85 - 485, 1)
    (Decimal('484.8'), Decimal('-0.2'), Decimal('-0.1'))
    """
    exact = _EXACT.plus(value if isinstance(value, Decimal) else Decimal(repr(float(value))))
    return exact.quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP if exact > 0 else ROUND_HALF_DOWN)
