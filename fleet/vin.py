"""Vehicle identification numbers: form (ISO 3779) and check digit (49 CFR 565.15).

The check digit is law in North America only. It is therefore required of numbers that begin with 1 to 5
(world manufacturer codes of North America) and merely noted elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from django.utils.translation import gettext_lazy as _

from fleet.errors import Invalid

if TYPE_CHECKING:
    from django.utils.functional import _StrOrPromise

VIN_LENGTH: Final = 17
CHECK_DIGIT_INDEX: Final = 8
MODEL_YEAR_INDEX: Final = 9

_WEIGHTS: Final = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_VALUES: Final = {
    **{digit: int(digit) for digit in "0123456789"},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
_YEAR_CODES: Final = "ABCDEFGHJKLMNPRSTVWXY123456789"
_FIRST_YEAR: Final = 1980
_UPPER_AND_WITHOUT_SEPARATORS: Final = {ord(c): ord(c) - 32 for c in "abcdefghijklmnopqrstuvwxyz"} | {
    ord(c): None for c in " -\t"
}


class VinError(Invalid):
    """A text that is no VIN: `vin_length`, `vin_character` or `vin_check_digit`."""

    @property
    def reason(self) -> str:
        return self.errors[0].code


@dataclass(frozen=True)
class Vin:
    """A well-formed VIN in its written form."""

    value: str
    check_digit_is_right: bool

    def __str__(self) -> str:
        return self.value


def normalise_vin(text: str) -> str:
    """Capital letters, without the spaces and hyphens that people put in to read it aloud.

    >>> normalise_vin(" 1m8gdm9ax kp042788 ")
    '1M8GDM9AXKP042788'
    """
    return text.translate(_UPPER_AND_WITHOUT_SEPARATORS)


def expected_check_digit(vin: str) -> str:
    """The check digit that belongs in position 9; whatever stands there now has no influence.

    Source: 49 CFR 565.15(c).

    >>> expected_check_digit("1M8GDM9A0KP042788")
    'X'
    """
    remainder = sum(_VALUES[c] * weight for c, weight in zip(vin, _WEIGHTS, strict=True)) % 11
    return "X" if remainder == 10 else str(remainder)


def with_check_digit(vin: str) -> str:
    """The VIN with the right check digit in position 9 (for demonstration and test data).

    >>> with_check_digit("1M8GDM9A0KP042788")
    '1M8GDM9AXKP042788'
    """
    vin = _require_form(normalise_vin(vin), pointer="")
    return vin[:CHECK_DIGIT_INDEX] + expected_check_digit(vin) + vin[CHECK_DIGIT_INDEX + 1 :]


def check_digit_is_required(vin: str) -> bool:
    return vin[:1] in frozenset("12345")


def parse_vin(text: str, *, pointer: str = "/vin") -> Vin:
    """The VIN that was written, in whatever case and spacing; raises `VinError` at `pointer`."""
    vin = _require_form(normalise_vin(text), pointer)
    expected = expected_check_digit(vin)
    is_right = vin[CHECK_DIGIT_INDEX] == expected
    if check_digit_is_required(vin) and not is_right:
        raise VinError.at(pointer, "vin_check_digit", _check_digit_message(vin, expected))
    return Vin(vin, is_right)


def model_year_candidates(vin: str) -> tuple[int, ...]:
    """The model years that position 10 can mean: the code repeats every thirty years.

    Empty where the character is no year code; many makers outside North America do not use it.

    >>> model_year_candidates("1M8GDM9AXKP042788")
    (1989, 2019)
    """
    code = vin[MODEL_YEAR_INDEX]
    if code not in _YEAR_CODES:
        return ()
    first = _FIRST_YEAR + _YEAR_CODES.index(code)
    return first, first + len(_YEAR_CODES)


def north_american_model_year(vin: str) -> int | None:
    """The model year of a light vehicle (up to 10,000 lb) made for North America.

    There a digit in position 7 means 1980 to 2009, a letter 2010 to 2039 (49 CFR 565.15(b)).

    >>> north_american_model_year("1M8GDM9AXKP042788")
    1989
    """
    candidates = model_year_candidates(vin)
    if not candidates or not check_digit_is_required(vin):
        return None
    return candidates[0] if vin[6].isdigit() else candidates[1]


def _require_form(vin: str, pointer: str) -> str:
    for position, character in enumerate(vin[:VIN_LENGTH], start=1):
        if character not in _VALUES:
            raise VinError.at(pointer, "vin_character", _character_message(character, position))
    if len(vin) != VIN_LENGTH:
        detail = _("A VIN has exactly 17 characters; this one has %(length)s.") % {"length": len(vin)}
        raise VinError.at(pointer, "vin_length", detail)
    return vin


def _character_message(character: str, position: int) -> _StrOrPromise:
    values = {"character": character if character.isprintable() else repr(character), "position": position}
    if character in "IOQ":
        return _CONFUSABLE_LETTER % values
    return _NO_VIN_CHARACTER % values


def _check_digit_message(vin: str, expected: str) -> _StrOrPromise:
    return _WRONG_CHECK_DIGIT % {"found": vin[CHECK_DIGIT_INDEX], "expected": expected}


_CONFUSABLE_LETTER: Final = _(
    "Character %(position)s is the letter %(character)s. I, O and Q never occur in a VIN: "
    "read it again, it is probably 1, 0 or 9."
)
_NO_VIN_CHARACTER: Final = _(
    "Character %(position)s is '%(character)s'. A VIN has digits and the letters A to Z only, without I, O and Q."
)
_WRONG_CHECK_DIGIT: Final = _(
    "Position 9 of this VIN is %(found)s, but its other characters require %(expected)s. "
    "One character is mistyped, or two are exchanged: compare it with the plate on the vehicle."
)
