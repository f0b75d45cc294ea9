"""Strict serializer fields: each value is taken as it is meant, or refused with a stable code."""

from __future__ import annotations

import uuid
from contextlib import suppress
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from fleet.api.fields import (
    AwareDateTime,
    ClientId,
    CornerMap,
    HeightMm,
    PlainDate,
    SetPoint,
    StrictBoolean,
    StrictDecimal,
    StrictInteger,
    TrimmedText,
    TyreSizeField,
    VinField,
)

Field = serializers.Field[Any, Any, Any, Any]
UUID7 = "019a0c4e-7b1a-7c3e-8f00-1234567890ab"


def refused_code(field: Field, value: Any) -> Any:
    with pytest.raises(ValidationError) as refused:
        field.run_validation(value)
    codes = refused.value.get_codes()
    return codes[0] if isinstance(codes, list) else codes


ACCEPTED: list[tuple[Field, Any, Any]] = [
    (StrictBoolean(), True, True),
    (StrictInteger(), 120, 120),
    (StrictInteger(), 120.0, 120),
    (StrictInteger(), Decimal("120.000"), 120),
    (StrictInteger(), -0.0, 0),
    (SetPoint(), 2**31 - 1, 2**31 - 1),
    (SetPoint(), -(2**31), -(2**31)),
    (StrictDecimal(), 0, Decimal("0.000")),
    (StrictDecimal(places=1), 12.25, Decimal("12.2")),
    (StrictDecimal(minimum=-40, maximum=80), -40, Decimal(-40)),
    (HeightMm(), 486, Decimal("486.000")),
    (HeightMm(), 486.5, Decimal("486.500")),
    (HeightMm(), 0.001, Decimal("0.001")),
    (HeightMm(), 19.140625 * 25.4, Decimal("486.172")),
    (HeightMm(), 100_000, Decimal(100_000)),
    (AwareDateTime(), "2026-05-04T09:30:00+02:00", datetime(2026, 5, 4, 7, 30, tzinfo=UTC)),
    (AwareDateTime(), "2026-05-04t09:30:00z", datetime(2026, 5, 4, 9, 30, tzinfo=UTC)),
    (AwareDateTime(), "2026-05-04 09:30:00.5-11:30", datetime(2026, 5, 4, 21, 0, 0, 500_000, tzinfo=UTC)),
    (AwareDateTime(), "2026-05-04T09:30:00.123456789Z", datetime(2026, 5, 4, 9, 30, 0, 123_456, tzinfo=UTC)),
    (AwareDateTime(), "2024-02-29T00:00:00-00:00", datetime(2024, 2, 29, tzinfo=UTC)),
    (PlainDate(), "2024-02-29", date(2024, 2, 29)),
    (ClientId(), UUID7, uuid.UUID(UUID7)),
    (ClientId(), UUID7.upper(), uuid.UUID(UUID7)),
    (TrimmedText(max_length=5), "  mark  ", "mark"),
    (TrimmedText(max_length=5, allow_blank=True), "  ", ""),
    (TrimmedText(max_length=5, allow_blank=True), "\u200b", ""),
    (TrimmedText(max_length=5, lines=True), "a\u2028b\u2029", "a\nb"),
    (TrimmedText(max_length=5), "\U0001f469\u200d\U0001f527", "\U0001f469\u200d\U0001f527"),
    (TrimmedText(max_length=20, lines=True), "one\r\ntwo\tthree", "one\ntwo\tthree"),
    (TrimmedText(max_length=20), "Zoë 😂 \u200d עברית", "Zoë 😂 \u200d עברית"),
    (VinField(), "1m8gdm9ax kp042788", "1M8GDM9AXKP042788"),
    (TyreSizeField(), "255/60r18", "255/60R18"),
]


@pytest.mark.parametrize(("field", "value", "expected"), ACCEPTED)
def test_a_proper_value_is_taken_as_it_is_meant(field: Field, value: Any, expected: Any) -> None:
    taken = field.run_validation(value)
    assert taken == expected
    assert type(taken) is type(expected)


NOT_NUMBERS: list[Any] = [
    "486",
    True,
    False,
    [],
    {},
    [486],
    "",
    "NaN",
    float("nan"),
    float("inf"),
    Decimal("NaN"),
]

CONTROL_CHARACTERS = "\0\n\t\x1b\x7f\x85\u202e\u2066\ud800"
NOT_BOOLEANS: list[Any] = [1, 0, "true", "yes", "", [], {}]

REFUSED: list[tuple[Field, Any, str]] = [
    *[(StrictBoolean(), value, "not_a_boolean") for value in NOT_BOOLEANS],
    *[(StrictInteger(), value, "not_a_number") for value in NOT_NUMBERS],
    (StrictInteger(), 120.5, "fraction"),
    (StrictInteger(), 1e-9, "fraction"),
    (StrictInteger(), 2**31, "max_value"),
    (StrictInteger(), 1e300, "max_value"),
    (StrictInteger(min_value=0), -1, "min_value"),
    (SetPoint(), 2**31, "max_value"),
    (SetPoint(), -(2**31) - 1, "min_value"),
    (SetPoint(), 120.5, "fraction"),
    (SetPoint(), True, "not_a_number"),
    (SetPoint(), "120", "not_a_number"),
    (SetPoint(), None, "null"),
    *[(HeightMm(), value, "not_a_number") for value in NOT_NUMBERS],
    (HeightMm(), 0, "not_above"),
    (HeightMm(), 0.0004, "not_above"),
    (HeightMm(), -486, "not_above"),
    (HeightMm(), -1e300, "too_small"),
    (HeightMm(), 100_000.001, "too_large"),
    (HeightMm(), 1e308, "too_large"),
    (HeightMm(), 10**400, "too_large"),
    (StrictDecimal(minimum=-40, maximum=80), -40.01, "too_small"),
    (StrictDecimal(), -1e300, "too_small"),
    (AwareDateTime(), "2026-05-04T09:30:00", "offset_required"),
    (AwareDateTime(), "2026-05-04", "not_a_time"),
    (AwareDateTime(), "2026-05-04T09:30Z", "not_a_time"),
    (AwareDateTime(), "04.05.2026 09:30:00Z", "not_a_time"),
    (AwareDateTime(), "2026-05-04T09:30:00 +02:00", "not_a_time"),
    (AwareDateTime(), "2026-05-04T09:30:00+0200", "not_a_time"),
    (AwareDateTime(), "２026-05-04T09:30:00Z", "not_a_time"),
    (AwareDateTime(), "2026-05-04T09:30:00Z\n", "not_a_time"),
    (AwareDateTime(), 1777886400, "not_a_time"),
    (AwareDateTime(), True, "not_a_time"),
    (AwareDateTime(), {}, "not_a_time"),
    (AwareDateTime(), "2026-02-29T00:00:00Z", "no_such_time"),
    (AwareDateTime(), "2026-13-01T00:00:00Z", "no_such_time"),
    (AwareDateTime(), "2026-05-04T24:00:01Z", "no_such_time"),
    (AwareDateTime(), "2026-05-04T23:59:60Z", "no_such_time"),
    (AwareDateTime(), "2026-05-04T09:30:00+99:99", "no_such_time"),
    (AwareDateTime(), "0001-01-01T00:00:00+23:59", "year_out_of_range"),
    (AwareDateTime(), "9999-12-31T23:59:59-23:59", "year_out_of_range"),
    (AwareDateTime(), "1979-12-31T23:59:59Z", "year_out_of_range"),
    (PlainDate(), "2026-02-29", "no_such_date"),
    (PlainDate(), "2026-05-04T00:00:00Z", "not_a_date"),
    (PlainDate(), 20260504, "not_a_date"),
    (PlainDate(), [], "not_a_date"),
    (PlainDate(), "0001-01-01", "year_out_of_range"),
    (ClientId(), "00000000-0000-0000-0000-000000000000", "not_uuid7"),
    (ClientId(), "6ba7b810-9dad-11d1-80b4-00c04fd430c8", "not_uuid7"),
    (ClientId(), "f47ac10b-58cc-4372-a567-0e02b2c3d479", "not_uuid7"),
    (ClientId(), UUID7.replace("-8f00-", "-cf00-"), "not_uuid7"),
    (ClientId(), UUID7.replace("-", ""), "not_a_uuid"),
    (ClientId(), f"{{{UUID7}}}", "not_a_uuid"),
    (ClientId(), f"urn:uuid:{UUID7}", "not_a_uuid"),
    (ClientId(), 7, "not_a_uuid"),
    (ClientId(), [UUID7], "not_a_uuid"),
    (TrimmedText(max_length=5), " \t ", "blank"),
    (TrimmedText(max_length=5), "\u200b\u2060\u00ad", "blank"),
    (TrimmedText(max_length=5), "marker", "max_length"),
    (TrimmedText(max_length=5), 12, "not_text"),
    (TrimmedText(max_length=5), True, "not_text"),
    (TrimmedText(max_length=5), ["a"], "not_text"),
    *[(TrimmedText(max_length=5), f"a{c}b", "control_character") for c in CONTROL_CHARACTERS],
    (TrimmedText(max_length=5, lines=True), "a\x0bb", "control_character"),
    (TrimmedText(max_length=5), "a\u2028b", "control_character"),
    (TrimmedText(max_length=5, allow_blank=True), "\u202e", "control_character"),
    (VinField(), "1M8GDM9A1KP042788", "vin_check_digit"),
    (VinField(), "short", "vin_character"),
    (VinField(), "1M8", "vin_length"),
    (VinField(), 11111111111111111, "not_text"),
    (TyreSizeField(), "round", "tyre_size"),
    (TyreSizeField(), 255, "not_text"),
]  # fmt: skip


@pytest.mark.parametrize("value", [-0.0, -0.04])
def test_no_zero_has_a_sign(value: float) -> None:
    """The database keeps none, and the ledger would say something else than the row."""
    assert str(StrictDecimal(places=1).run_validation(value)) == "0.0"


@pytest.mark.parametrize(("field", "value", "code"), REFUSED)
def test_anything_else_is_refused_with_its_code(field: Field, value: Any, code: str) -> None:
    assert refused_code(field, value) == code


def test_the_offset_message_shows_how_to_write_it() -> None:
    with pytest.raises(ValidationError, match=r"\+02:00"):
        AwareDateTime().run_validation("2026-05-04T09:30:00")


def test_values_go_out_as_json_numbers_and_utc_times() -> None:
    assert HeightMm().to_representation(Decimal("486.500")) == 486.5
    assert AwareDateTime().to_representation(datetime(2026, 5, 4, 7, 30, tzinfo=UTC)) == "2026-05-04T07:30:00Z"


EVERY_CORNER = {"FL": 120, "FR": 121, "RL": 130, "RR": 131}


def test_a_complete_corner_map_is_taken_in_the_order_of_the_corners() -> None:
    taken = CornerMap(SetPoint()).run_validation(dict(reversed(EVERY_CORNER.items())))
    assert list(taken.items()) == list(EVERY_CORNER.items())


def test_a_corner_map_names_every_corner_that_is_wrong() -> None:
    with pytest.raises(ValidationError) as refused:
        CornerMap(SetPoint()).run_validation({"FL": 1.5, "FR": "120", "rl": 130, "MIDDLE/LEFT": 1})
    assert refused.value.get_codes() == {
        "FL": ["fraction"],
        "FR": ["not_a_number"],
        "RL": ["corner_missing"],
        "RR": ["corner_missing"],
        "rl": ["unknown_corner"],
        "MIDDLE/LEFT": ["unknown_corner"],
    }


def test_a_corner_map_of_an_axle_takes_that_axle_only() -> None:
    rear = CornerMap(SetPoint(), corners=("RL", "RR"))
    assert rear.run_validation({"RL": 1, "RR": 2}) == {"RL": 1, "RR": 2}
    with pytest.raises(ValidationError, match="allowed: RL, RR"):
        rear.run_validation(EVERY_CORNER)


def test_an_incomplete_corner_map_needs_at_least_one_corner() -> None:
    some = CornerMap(HeightMm(), complete=False)
    assert some.run_validation({"RL": 504}) == {"RL": Decimal(504)}
    assert refused_code(some, {}) == "empty"


@pytest.mark.parametrize("value", [[], [1, 2, 3, 4], "FL", 4, True])
def test_what_is_no_object_is_no_corner_map(value: Any) -> None:
    assert refused_code(CornerMap(SetPoint()), value) == "not_a_corner_map"


def test_a_null_at_a_corner_is_refused_unless_the_child_allows_it() -> None:
    with pytest.raises(ValidationError) as refused:
        CornerMap(SetPoint()).run_validation({**EVERY_CORNER, "RR": None})
    assert refused.value.get_codes() == {"RR": ["null"]}
    taken = CornerMap(SetPoint(allow_null=True)).run_validation({**EVERY_CORNER, "RR": None})
    assert taken["RR"] is None
    assert CornerMap(SetPoint(allow_null=True)).to_representation(taken) == taken


def test_a_corner_map_of_objects_points_into_them() -> None:
    class Tyre(serializers.Serializer[Any]):
        size = TyreSizeField()

    field = CornerMap(Tyre(), complete=False)
    assert field.run_validation({"FL": {"size": "255/60R18"}}) == {"FL": {"size": "255/60R18"}}
    with pytest.raises(ValidationError) as refused:
        field.run_validation({"FL": {"size": "round"}, "FR": {}})
    assert refused.value.get_codes() == {"FL": {"size": ["tyre_size"]}, "FR": {"size": ["required"]}}


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.just("\ud800\0"),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=6,
)
ALL_FIELDS: list[Field] = [
    StrictBoolean(),
    StrictInteger(),
    SetPoint(),
    StrictDecimal(),
    HeightMm(),
    AwareDateTime(),
    PlainDate(),
    ClientId(),
    TrimmedText(max_length=10),
    VinField(),
    TyreSizeField(),
    CornerMap(SetPoint()),
    CornerMap(HeightMm(), complete=False),
]


@pytest.mark.parametrize("field", ALL_FIELDS, ids=lambda field: type(field).__name__)
@given(value=json_values)
@settings(deadline=None)
def test_no_json_value_makes_a_field_fail_otherwise_than_by_refusing(field: Field, value: Any) -> None:
    with suppress(ValidationError):
        field.run_validation(value)


def test_a_limit_is_told_in_the_words_of_all_figures() -> None:
    for field in (StrictInteger(max_value=2100), StrictDecimal(maximum=2100)):
        with pytest.raises(ValidationError) as refused:
            field.run_validation(20222)
        assert [str(each) for each in refused.value.detail] == ["Must be at most 2100."]
    for lowest in (StrictInteger(min_value=1900), StrictDecimal(minimum=1900)):
        with pytest.raises(ValidationError) as refused:
            lowest.run_validation(20)
        assert [str(each) for each in refused.value.detail] == ["Must be at least 1900."]
