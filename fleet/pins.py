"""Which PINs are too easily guessed to stand for a person: five attempts are enough for the usual ones."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

from django.utils.translation import gettext_lazy as _

from .errors import Invalid

FEWEST_DIFFERENT_DIGITS: Final = 3


def is_easily_guessed(pin: str) -> bool:
    """Of few different digits, a run up or down (9 and 0 being neighbours), or one group repeated.

    >>> [pin for pin in ("0000", "1212", "1234", "8765", "7890", "258258", "4711") if not is_easily_guessed(pin)]
    ['4711']
    """
    is_group_repeated = pin in (pin + pin)[1:-1]
    return len(set(pin)) < FEWEST_DIFFERENT_DIGITS or _is_run(pin) or is_group_repeated


def require_not_easily_guessed(pin: str) -> None:
    if is_easily_guessed(pin):
        raise Invalid.at("/pin", "pin_easily_guessed", _EASILY_GUESSED)


def _is_run(pin: str) -> bool:
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    return steps in ({1}, {9})


_EASILY_GUESSED: Final = _(
    "This PIN is easily guessed. Take one with at least three different digits that is neither a run such as 1234 or "
    "8765 nor one group repeated such as 258258."
)
