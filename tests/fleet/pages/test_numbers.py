"""Numbers as people type them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.utils import translation
from django.utils.formats import number_format

from fleet.pages.fitments import FitmentForm
from fleet.pages.typed import TypedDecimal, TypedInteger

READ = [
    ("486", "486"),
    ("0.9", "0.9"),
    ("0,9", "0.9"),
    (" 2 885,5 ", "2885.5"),
    ("2\u202f885.5", "2885.5"),
    ("2'885", "2885"),
    ("\u22121,2", "-1.2"),
    ("0,125", "0.125"),
    ("0.125", "0.125"),
    ("1234,567", "1234.567"),
]


@pytest.mark.parametrize("language", ["en", "de"])
@pytest.mark.parametrize(("typed", "number"), READ)
def test_comma_and_point_both_begin_a_fraction(typed: str, number: str, language: str) -> None:
    with translation.override(language):
        assert TypedDecimal().clean(typed) == Decimal(number)


@pytest.mark.parametrize(
    ("language", "typed", "number"),
    [("en", "1.050", "1.05"), ("de", "1,050", "1.05"), ("en", "2,885", None), ("de", "2.885", None)],
)
def test_a_separator_of_the_other_language_before_three_digits_is_asked_about(
    language: str, typed: str, number: str | None
) -> None:
    """It may stand between thousands there: 2,885 is 2885 in one and less than 3 in the other."""
    with translation.override(language):
        if number:
            assert TypedDecimal().clean(typed) == Decimal(number)
        else:
            with pytest.raises(ValidationError, match={"en": "two ways", "de": "zwei Arten"}[language]):
                TypedDecimal().clean(typed)


@pytest.mark.parametrize("typed", ["1.234,5", "1,234.5", "abc", "1e3", "--1", "1_000", "NaN", "1.", "\u0661"])
def test_anything_else_is_no_number(typed: str) -> None:
    with pytest.raises(ValidationError, match="Must be a number"):
        TypedDecimal().clean(typed)


@pytest.mark.parametrize(("language", "own", "other"), [("en", "84,120", "84.120"), ("de", "84.120", "84,120")])
def test_the_languages_own_separator_stands_between_thousands_of_a_whole_number(
    language: str, own: str, other: str
) -> None:
    """As people type it; the other one could begin a fraction."""
    with translation.override(language):
        assert TypedInteger().clean(own) == 84_120
        assert TypedInteger().clean(own.replace("84", "1" + own[2] + "284")) == 1_284_120
        with pytest.raises(ValidationError, match={"en": "two ways", "de": "zwei Arten"}[language]):
            TypedInteger().clean(other)


@pytest.mark.parametrize("language", ["en", "de"])
def test_kilometres_are_read_as_the_pages_print_them(language: str) -> None:
    with translation.override(language):
        printed = number_format(Decimal("1084120.5"), force_grouping=True)
        assert printed.startswith("1\u202f084\u202f120")
        assert TypedDecimal(grouped=True).clean(printed) == Decimal("1084120.5")


def test_kilometres_are_read_as_people_type_them() -> None:
    kilometres = TypedDecimal(grouped=True)
    with translation.override("de"):
        assert kilometres.clean("84.120") == 84_120
        assert kilometres.clean("84.120,5") == Decimal("84120.5")
        assert kilometres.clean("84120,5") == Decimal("84120.5")
        assert FitmentForm().fields["odometer_km"].clean("84.120") == 84_120
        with pytest.raises(ValidationError, match="zwei Arten"):
            FitmentForm().fields["tyres-FL-tread_mm"].clean("84.120")
    with translation.override("en"):
        assert kilometres.clean("84,120.5") == Decimal("84120.5")


def test_what_is_no_whole_number_is_not_told_of_fractions() -> None:
    with pytest.raises(ValidationError, match="Must be a whole number, in digits"):
        TypedInteger().clean("two thousand")


def test_a_whole_number_is_whole() -> None:
    assert TypedInteger().clean("20 000") == 20_000
    assert TypedInteger().clean("12,0") == 12
    with pytest.raises(ValidationError, match="whole"):
        TypedInteger().clean("12,5")
