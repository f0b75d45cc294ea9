"""When two bodies are the same: RFC 8785 beneath (tests/reference/jcs_rfc8785.json), our equalities above."""

from __future__ import annotations

import hashlib
import json
import struct
import uuid
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal
from enum import Enum
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.fingerprint import fingerprint

REFERENCE = json.loads((Path(__file__).parents[1] / "reference" / "jcs_rfc8785.json").read_text())
INSTANT = datetime(2026, 5, 4, 9, 30, tzinfo=timezone(timedelta(hours=2)))
AN_ID = uuid.UUID("019a0c4e-7b1a-7c3e-8f00-1234567890ab")


class Kind(Enum):
    TAPE = "tape"


@pytest.mark.parametrize("vector", [v for v in REFERENCE["vectors"] if v["name"] != "arrays"], ids=lambda v: v["name"])
def test_plain_json_is_hashed_as_its_published_canonical_form(vector: dict[str, str]) -> None:
    """cyberphone/json-canonicalization, outputs of RFC 8785's reference implementation."""
    expected = hashlib.sha256(bytes.fromhex(vector["output_hex"])).hexdigest()
    assert fingerprint(json.loads(vector["input"])) == expected


@pytest.mark.parametrize(("bits", "text"), REFERENCE["numbers_ieee_hex_to_text"].items())
def test_a_number_is_hashed_as_published_wherever_a_double_is_what_was_written(bits: str, text: str) -> None:
    (number,) = struct.unpack(">d", bytes.fromhex(bits.zfill(16)))
    assert fingerprint({"n": number}) == hashlib.sha256(f'{{"n":{text}}}'.encode()).hexdigest()


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (486, 486.0),
        (486, Decimal("486.000")),
        (486.5, Decimal("486.500")),
        (0, -0.0),
        (0.1, Decimal("0.1")),
        (1e21, 10**21),
        (Decimal("1E+2"), 100),
        (2**63 - 1, Decimal(2**63 - 1)),
        (Decimal("1234567890123456789.50"), Decimal("1234567890123456789.5")),
        (INSTANT, INSTANT.astimezone(UTC)),
        (AN_ID, str(AN_ID)),
        (date(2026, 5, 4), "2026-05-04"),
        ((1, 2), [1, 2]),
        (Kind.TAPE, "tape"),
        ({"a": 1, "b": 2}, {"b": 2, "a": 1}),
        ({Kind.TAPE: 1}, {"tape": 1}),
    ],
)
def test_what_means_the_same_has_one_fingerprint(one: Any, other: Any) -> None:
    assert fingerprint({"value": one}) == fingerprint({"value": other})
    assert fingerprint({"deep": [{"value": one}]}) == fingerprint({"deep": [{"value": other}]})


@pytest.mark.parametrize(
    ("one", "other"),
    [
        (486, "486"),
        (486, 487),
        (486, Decimal("486.001")),
        (1, True),
        (0, False),
        (None, ""),
        (None, 0),
        ([1, 2], [2, 1]),
        ([], {}),
        (2**63 - 1, 2**63 - 2),
        (2**53 + 1, 2**53 + 2),
        (0.1, Decimal("0.1000000000000000055511151231257827")),
        (Decimal("1.00000000000000000000000000000000001"), Decimal("1.00000000000000000000000000000000002")),
        (INSTANT, INSTANT + timedelta(microseconds=1)),
        (INSTANT, INSTANT.replace(tzinfo=UTC)),
        ("é", "e\u0301"),
    ],
)
def test_what_differs_has_different_fingerprints(one: Any, other: Any) -> None:
    assert fingerprint({"value": one}) != fingerprint({"value": other})


@pytest.mark.parametrize("secret", ["pin", "password"])
def test_secrets_take_no_part_at_any_depth(secret: str) -> None:
    without = fingerprint({"remark": "done", "signer": {"id": AN_ID}})
    assert fingerprint({"remark": "done", secret: "4711", "signer": {"id": AN_ID}}) == without
    assert fingerprint({"remark": "done", "signer": {"id": AN_ID, secret: "0815"}}) == without
    assert fingerprint({"remark": "done", "signer": {"id": AN_ID}, "pincode": "4711"}) != without


@pytest.mark.parametrize(
    "value",
    [float("nan"), float("inf"), Decimal("NaN"), Decimal("-Infinity"), INSTANT.replace(tzinfo=None)],
)
def test_what_has_no_single_meaning_is_a_programming_error(value: Any) -> None:
    with pytest.raises(ValueError, match="no canonical form"):
        fingerprint({"value": value})


@pytest.mark.parametrize("value", [object(), {1, 2}, b"bytes"])
def test_what_has_no_canonical_form_is_a_programming_error(value: Any) -> None:
    with pytest.raises(TypeError, match="no canonical form"):
        fingerprint({"value": value})


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**63), 2**63 - 1)
    | st.text()
    | st.floats(allow_nan=False, allow_infinity=False),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(json_values)
@settings(deadline=None)
def test_every_json_value_has_a_fingerprint_that_survives_sending_it(value: Any) -> None:
    sent = json.loads(json.dumps({"value": value}))
    assert fingerprint({"value": value}) == fingerprint(sent)
