"""Figures and corners in sentences, as the reader's language writes them."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from django.utils.formats import number_format
from django.utils.translation import pgettext_lazy

DASH = "\N{EN DASH}"
MINUS = "\N{MINUS SIGN}"
CORNERS = {
    "FL": pgettext_lazy("front left", "FL"),
    "FR": pgettext_lazy("front right", "FR"),
    "RL": pgettext_lazy("rear left", "RL"),
    "RR": pgettext_lazy("rear right", "RR"),
}
"""As short as the interface's codes, which they are in English."""


class _Values(dict[str, Any]):
    """Values for a text; one that is missing shows as a dash instead of failing."""

    def __missing__(self, key: str) -> str:
        return DASH


def shown(values: Mapping[str, Any], *, count: float | None = None) -> Mapping[str, Any]:
    """The values of a text as they are read; `count` is what its plural goes by."""
    found = _Values({name: shown_value(value) for name, value in values.items()})
    return found if count is None else _Values({**found, "count": round(abs(count))})


def shown_value(value: Any) -> Any:
    """A number to a tenth, corners by their short names; other values as they are."""
    if isinstance(value, list | tuple):
        return ", ".join(corner_name(str(shown_value(each))) for each in value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return value
    return figure(_tenths(value).removesuffix(".0") if isinstance(value, float) else str(value))


def _tenths(value: float) -> str:
    """Rounded half away from zero, as everywhere; zero never carries a sign."""
    return str(Decimal(repr(value)).quantize(Decimal("0.1"), ROUND_HALF_UP) + 0)


def figure(digits: str) -> str:
    """A number that has its digits already, with a typographic minus and the language's decimal sign.

    >>> figure("-2.25"), figure("+3")
    ('−2.25', '+3')
    """
    return number_format(digits, use_l10n=True).replace("-", MINUS)


def corner_name(corner: str) -> str:
    """The short name of a corner; other words as they are."""
    return str(CORNERS.get(corner, corner))
