"""VINs against 49 CFR 565.15 and published examples (tests/reference/vin.json, sources named there)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.vin import (
    VinError,
    check_digit_is_required,
    expected_check_digit,
    model_year_candidates,
    normalise_vin,
    north_american_model_year,
    parse_vin,
    with_check_digit,
)

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "vin.json").read_text())
VALID = [entry["vin"] for entry in REFERENCE["valid"]]
WRONG_DIGIT = [entry for entry in REFERENCE["invalid"] if "expected_check" in entry]
LETTERS = "".join(sorted(REFERENCE["transliteration"]))
vins = st.text(alphabet="0123456789" + LETTERS, min_size=17, max_size=17)


@pytest.mark.parametrize("entry", REFERENCE["valid"], ids=lambda entry: entry["vin"])
def test_the_check_digit_agrees_with_published_examples(entry: dict[str, str]) -> None:
    assert expected_check_digit(entry["vin"]) == entry["check"]


@pytest.mark.parametrize("entry", WRONG_DIGIT, ids=lambda entry: entry["vin"])
def test_the_expected_digit_of_published_wrong_numbers_is_the_published_one(entry: dict[str, str]) -> None:
    assert expected_check_digit(entry["vin"]) == entry["expected_check"] != entry["vin"][8]


@given(vins)
@settings(deadline=None)
def test_the_check_digit_follows_the_table_of_the_regulation(vin: str) -> None:
    """49 CFR 565.15, Tables III to V, applied plainly."""
    weights = REFERENCE["weights_pos_1_to_17"]
    values = REFERENCE["transliteration"] | {str(digit): digit for digit in range(10)}
    remainder = sum(values[c] * w for c, w in zip(vin, weights, strict=True)) % 11
    assert expected_check_digit(vin) == ("X" if remainder == 10 else str(remainder))


@pytest.mark.parametrize("vin", VALID)
def test_a_right_number_is_read_in_whatever_case_and_spacing(vin: str) -> None:
    written = f" {vin[:3].lower()} {vin[3:9]}-{vin[9:].lower()}\t"
    parsed = parse_vin(written)
    assert (parsed.value, parsed.check_digit_is_right, str(parsed)) == (vin, True, vin)


def test_a_wrong_check_digit_is_refused_where_the_law_requires_a_right_one() -> None:
    with pytest.raises(VinError) as refused:
        parse_vin("5GZCZ43D23S812715", pointer="/vehicle")
    (error,) = refused.value.errors
    assert (error.pointer, error.code, refused.value.reason) == (
        "/vehicle", "vin_check_digit", "vin_check_digit",
    )  # fmt: skip
    assert "is 2" in str(error.detail)
    assert "require 1" in str(error.detail)


def test_a_wrong_check_digit_is_only_noted_elsewhere() -> None:
    assert not parse_vin("SGZCZ43D13S812715").check_digit_is_right
    assert parse_vin("LJCPCBLCX11000237").check_digit_is_right


@pytest.mark.parametrize("first", "0123456789" + LETTERS)
def test_a_right_check_digit_is_required_from_1_to_5_only(first: str) -> None:
    assert check_digit_is_required(first + "GZCZ43D13S812715") == (first in "12345")


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [
        ("", "vin_length", "has 0"),
        ("1M8GDM9AXKP04278", "vin_length", "has 16"),
        ("1M8GDM9AXKP0427888", "vin_length", "has 18"),
        ("1" * 5000, "vin_length", "has 5000"),
        ("IGZOZ43Q13S812715", "vin_character", "letter I"),
        ("1GZOZ43D13S812715", "vin_character", "letter O"),
        ("1GZCZ43q13S812715", "vin_character", "letter Q"),
        ("1M8GDM9AXKP04278!", "vin_character", "Character 17"),
        ("1M8GDM9AXKP04278\0", "vin_character", r"\x00"),
        ("1M8GDM9AXKP04278\ud800", "vin_character", r"\ud800"),
        ("１M8GDM9AXKP042788", "vin_character", "Character 1"),
        ("1M8GDM9AXKP04278²", "vin_character", "Character 17"),
        ("1M8GDM9AXKP04278ß", "vin_character", "Character 17"),
        ("1M8GDM9AXKP04278\u0661", "vin_character", "Character 17"),
    ],
)
def test_what_is_no_vin_is_refused_naming_the_rule(text: str, code: str, said: str) -> None:
    with pytest.raises(VinError) as refused:
        parse_vin(text)
    assert refused.value.reason == code
    assert said in str(refused.value)


@given(st.text())
@settings(deadline=None)
def test_any_text_is_either_a_well_formed_vin_or_refused(text: str) -> None:
    try:
        vin = parse_vin(text).value
    except VinError:
        return
    assert len(vin) == 17
    assert set(vin) <= set("0123456789" + LETTERS)


@given(vins)
@settings(deadline=None)
def test_with_check_digit_makes_every_number_acceptable_and_changes_nothing_else(vin: str) -> None:
    made = with_check_digit(vin)
    assert parse_vin(made).check_digit_is_right
    assert (made[:8], made[9:]) == (vin[:8], vin[9:])


def test_with_check_digit_refuses_what_has_no_form() -> None:
    with pytest.raises(VinError):
        with_check_digit("1M8GDM9A")


@given(vins, st.integers(0, 16), st.sampled_from("0123456789"))
@settings(deadline=None)
def test_a_single_mistyped_digit_is_noticed(vin: str, position: int, digit: str) -> None:
    """A weighted sum modulo a prime finds every single change of value, outside position 9 as in it."""
    right = with_check_digit("1" + vin[1:])
    values = REFERENCE["transliteration"] | {str(d): d for d in range(10)} | {"X": 10 if position == 8 else 7}
    if values[right[position]] % 11 == int(digit):
        return
    assert not _is_right(right[:position] + digit + right[position + 1 :])


def _is_right(vin: str) -> bool:
    return expected_check_digit(vin) == vin[8]


def test_every_year_code_means_the_years_of_both_published_cycles() -> None:
    years = REFERENCE["model_year_position_10"]
    for code, year in years["cycle_1"].items():
        assert model_year_candidates(f"1M8GDM9A0{code}P042788") == (year, years["cycle_2"][code])


@pytest.mark.parametrize("code", [*REFERENCE["model_year_position_10"]["letters_excluded"], "0"])
def test_excluded_characters_are_no_year(code: str) -> None:
    vin = f"1M8GDM9A0{code}P042788"
    assert model_year_candidates(vin) == ()
    assert north_american_model_year(vin) is None


def test_position_7_tells_the_cycles_apart_for_light_vehicles_of_north_america() -> None:
    """49 CFR 565.15(b): a digit means 1980 to 2009, a letter 2010 to 2039."""
    assert north_american_model_year("1M8GDM9AXKP042788") == 1989
    assert north_american_model_year("1M8GDMNAXKP042788") == 2019
    assert north_american_model_year("LJCPCBLCX11000237") is None


def test_normalising_leaves_other_characters_for_the_check_to_name() -> None:
    assert normalise_vin("1m8-é ß") == "1M8éß"
