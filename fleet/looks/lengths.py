"""Heights as a page shows them: rounded once, in the reader's unit and language."""

from __future__ import annotations

from decimal import Decimal
from typing import Final, Literal

from django.utils.formats import number_format

from .rounding import to_places

LengthUnit = Literal["mm", "inch"]
UNIT_SIGNS: Final[dict[LengthUnit, str]] = {"mm": "mm", "inch": "in"}
MINUS: Final = "\u2212"
_MM_PER_INCH: Final = Decimal("25.4")
_DECIMALS: Final[dict[LengthUnit, int]] = {"mm": 1, "inch": 2}


def length(value_mm: float, unit: LengthUnit = "mm", *, signed: bool = False) -> str:
    """A height or deviation without its unit: 0.1 mm or 0.01 inch; zero never carries a sign.

    >>> length(486.04), length(25.4, "inch", signed=True), length(-2.25), length(-0.04, signed=True)
    ('486.0', '+1.00', '−2.2', '0.0')
    """
    exact = Decimal(repr(float(value_mm))) / (_MM_PER_INCH if unit == "inch" else 1)
    number = to_places(exact, _DECIMALS[unit])
    sign = MINUS if number < 0 else "+" if signed and number > 0 else ""
    return sign + number_format(abs(number), _DECIMALS[unit], use_l10n=True)
