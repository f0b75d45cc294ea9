"""Figures and corners in sentences, as the reader's language writes them."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from django.utils import timezone
from django.utils.formats import number_format

from fleet.looks import dates
from fleet.looks.corners import corner_name
from fleet.looks.rounding import to_places

DASH = "\N{EN DASH}"
MINUS = "\N{MINUS SIGN}"
COUNTED = "counted"
"""The member of a text's values by which `ngettext_lazy` chooses between singular and plural."""


class _Values(dict[str, Any]):
    """Values for a text; one that is missing shows as a dash instead of failing."""

    def __missing__(self, key: str) -> str:
        return DASH


def shown(values: Mapping[str, Any], number: float | None = None) -> Mapping[str, Any]:
    """The values of a text as they are read; `number` is the one by which it takes singular or plural."""
    return _Values({**{name: _shown_by_name(name, value) for name, value in values.items()}, **counted(number)})


def counted(value: float | None) -> dict[str, int]:
    """For a text that has a plural: whether it is about one, of either sign."""
    return {COUNTED: 1 if value is not None and abs(value) == 1 else 2}


def _shown_by_name(name: str, value: Any) -> Any:
    """Times and days stand in a finding as the interface writes them; what their name says tells them from words."""
    if isinstance(value, str) and name.endswith("_at"):
        return _moment(datetime.fromisoformat(value))
    if isinstance(value, str) and name.endswith("_on"):
        return dates.day(date.fromisoformat(value))
    if name.endswith("_km") and isinstance(value, int | float):
        return kilometres(value)
    return shown_value(value)


def _moment(at: datetime) -> str:
    """By the reader's clock; where that is not known it is UTC, and says so."""
    local = timezone.localtime(at)
    shown_at = dates.day_and_time(local)
    return f"{shown_at} UTC" if local.tzname() == "UTC" else shown_at


def shown_value(value: Any) -> Any:
    """A number to a tenth, corners by their short names; other values as they are."""
    if isinstance(value, list | tuple):
        return ", ".join(corner_name(str(shown_value(each))) for each in value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return value
    return figure(_tenths(value).removesuffix(".0") if isinstance(value, float) else str(value))


def kilometres(value: float | Decimal) -> str:
    r"""What an odometer shows, in groups of three digits, with its tenths where it has any.

    >>> kilometres(84210.0), kilometres(Decimal("1250.50"))
    ('84\u202f210', '1\u202f250.5')
    """
    return number_format(_tenths(value).removesuffix(".0"), force_grouping=True)


def _tenths(value: float | Decimal) -> str:
    """Rounded as everywhere; zero never carries a sign."""
    return str(to_places(value, 1) + 0)


def figure(digits: str) -> str:
    """A number that has its digits already, with a typographic minus and the language's decimal sign.

    >>> figure("-2.25"), figure("+3")
    ('−2.25', '+3')
    """
    return number_format(digits, use_l10n=True).replace("-", MINUS)
