"""Rows read in bulk are what psycopg reads one by one; any that have another layout are refused."""

from __future__ import annotations

import random
import struct
import uuid
from typing import Any

import pytest
from django.db import connection

from calibration.selectors import binary_rows
from calibration.selectors.binary_rows import BinaryRowsError, Kind, copied, parsed

pytestmark = pytest.mark.django_db
COLUMNS: dict[str, Kind] = {"vehicle": "uuid", "level": "float8", "is_revised": "bool", "rate": "float8"}


def rows(count: int) -> list[tuple[Any, ...]]:
    """With all kinds of numbers that a double has."""
    rng = random.Random(count)  # noqa: S311  (test data, no secret)
    odd = [float("inf"), float("-inf"), 0.0, -0.0, 5e-324, 1.7976931348623157e308, 0.1]
    return [
        (uuid.UUID(int=rng.getrandbits(128)), rng.choice([*odd, rng.gauss(0, 9)]), rng.random() < 0.5, rng.choice(odd))
        for _ in range(count)
    ]


QUERY = "SELECT * FROM unnest(%s::uuid[], %s::float8[], %s::bool[], %s::float8[])"


def by_psycopg(parameters: list[list[Any]]) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor, cursor.copy(f"COPY ({QUERY}) TO STDOUT (FORMAT BINARY)", parameters) as copy:
        copy.set_types(["uuid", "float8", "bool", "float8"])
        return list(copy.rows())


@pytest.mark.parametrize("count", [0, 1, 700])
def test_they_are_what_psycopg_reads(count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(binary_rows, "BLOCK", 256)
    parameters = [[row[place] for row in rows(count)] for place in range(len(COLUMNS))]
    found = copied(QUERY, parameters, COLUMNS)
    expected = by_psycopg(parameters)
    assert len(expected) == count
    assert [uuid.UUID(bytes=each) for each in found["vehicle"].tolist()] == [row[0] for row in expected]
    assert found["level"].tolist() == [row[1] for row in expected]
    assert found["is_revised"].tolist() == [row[2] for row in expected]
    assert repr(found["rate"].tolist()) == repr([row[3] for row in expected]), "nought keeps its sign"
    assert all(column.dtype.isnative and column.flags.c_contiguous for column in found.values())


@pytest.mark.parametrize(
    ("query", "columns", "says"),
    [
        ("SELECT NULL::float8", {"level": "float8"}, "not whole rows"),
        ("SELECT n::float8 FROM generate_series(1, 9) n UNION ALL SELECT NULL", {"level": "float8"}, "not whole rows"),
        ("SELECT NULL::float8 FROM generate_series(1, 7)", {"level": "float8"}, "."),  # as long as three whole rows
        ("SELECT 1.5::float4, 1.5::float8", {"level": "float8"}, "not whole rows"),
        ("SELECT 1::int8, true, true, true", {"a": "float8", "b": "bool"}, "."),
        ("SELECT true, 1.5::float8", {"level": "float8", "is_revised": "bool"}, "level"),
    ],
)
def test_another_layout_is_refused(query: str, columns: dict[str, Kind], says: str) -> None:
    with pytest.raises(BinaryRowsError, match=says):
        copied(query, [], columns)


def test_what_was_cut_short_is_refused() -> None:
    row = struct.pack(">hid", 1, 8, 1.5)
    whole = binary_rows.SIGNATURE + bytes(8) + 2 * row + binary_rows.TRAILER
    assert parsed(whole, {"level": "float8"})["level"].tolist() == [1.5, 1.5]
    for cut in (whole[:-2], whole[:-1], whole[:-16], b"\n" + whole[1:], b""):
        with pytest.raises(BinaryRowsError):
            parsed(cut, {"level": "float8"})
