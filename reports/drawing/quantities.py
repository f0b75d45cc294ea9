"""Figures as people read them: rounded once, here, in the reader's unit and language."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from django.utils.formats import number_format

from fleet.looks.rounding import to_places

LengthUnit = Literal["mm", "inch"]

_MM_PER_INCH = Decimal("25.4")
_KM_PER_MILE = Decimal("1.609344")
_KPA_PER_BAR = Decimal(100)
_KPA_PER_PSI = Decimal("6.894757293168")
MINUS = "\u2212"


def rounded(value: float | Decimal, decimals: int, *, signed: bool = False) -> str:
    """A number with a fixed count of decimals and a typographic minus; zero never carries a sign.

    >>> rounded(-2.25, 1), rounded(3, 1, signed=True), rounded(-0.04, 1, signed=True)
    ('−2.2', '+3.0', '0.0')
    """
    number = to_places(value, decimals)
    sign = MINUS if number < 0 else "+" if signed and number > 0 else ""
    return sign + number_format(abs(number), max(decimals, 0), use_l10n=True)


def length(value_mm: float, unit: LengthUnit, *, signed: bool = False) -> str:
    """A height or deviation without its unit: 0.1 mm or 0.01 inch.

    >>> length(486.04, "mm"), length(25.4, "inch", signed=True)
    ('486.0', '+1.00')
    """
    if unit == "mm":
        return rounded(value_mm, 1, signed=signed)
    return rounded(Decimal(repr(float(value_mm))) / _MM_PER_INCH, 2, signed=signed)


def length_unit(unit: LengthUnit) -> str:
    return "mm" if unit == "mm" else "in"


def distance(value_km: float, unit: Literal["km", "mile"]) -> str:
    r"""An odometer reading with its unit, in groups of three digits (ISO 80000-1).

    >>> distance(84210, "km"), distance(1.609344, "mile")
    ('84\u202f210 km', '1 mi')
    """
    shown = Decimal(repr(float(value_km))) / (1 if unit == "km" else _KM_PER_MILE)
    grouped = f"{to_places(shown, 0):,}".replace(",", "\u202f")  # wherever it is drawn, by whatever settings
    return f"{grouped} {'km' if unit == 'km' else 'mi'}"


def pressure(value_kpa: float, unit: Literal["kpa", "bar", "psi"]) -> str:
    """A tyre pressure with its unit.

    >>> pressure(250, "kpa"), pressure(250, "bar"), pressure(250, "psi")
    ('250 kPa', '2.50 bar', '36 psi')
    """
    exact = Decimal(repr(float(value_kpa)))
    if unit == "bar":
        return f"{rounded(exact / _KPA_PER_BAR, 2)} bar"
    return f"{rounded(exact / _KPA_PER_PSI, 0)} psi" if unit == "psi" else f"{rounded(exact, 0)} kPa"


def counts(value: int, base: Literal["decimal", "hexadecimal"] = "decimal") -> str:
    """A set-point, as the control unit's tool shows it.

    >>> counts(-12), counts(255, "hexadecimal")
    ('−12', '0xFF')
    """
    digits = f"{abs(value)}" if base == "decimal" else f"0x{abs(value):X}"
    return MINUS + digits if value < 0 else digits
