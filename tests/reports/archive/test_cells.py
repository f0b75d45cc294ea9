"""Every value comes back from its cell as it was, and no cell is a formula."""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any

import pytest
from django.db import models
from hypothesis import given
from hypothesis import strategies as st

from calibration.models import HeightCheck, Round
from fleet.models import Bay, Operator, Specification
from reports.archive.cells import FORMULA_STARTS, CellError, guarded, text_of, unguarded, value_of
from reports.archive.tables import tables
from reports.models import CertificateFile

TEXT = Operator._meta.get_field("name")


@given(st.text())
def test_text_comes_back_through_a_csv_file_whatever_it_is(text: str) -> None:
    if "\x00" in text or any(0xD800 <= ord(each) <= 0xDFFF for each in text):
        return  # no database takes it
    file = io.StringIO(newline="")
    csv.writer(file).writerow([text_of(TEXT, text), "end"])
    file.seek(0)
    [[cell, end]] = list(csv.reader(file))
    assert (value_of(TEXT, cell), end) == (text, "end")
    assert cell[:1] not in FORMULA_STARTS


def test_a_formula_is_no_formula_any_more() -> None:
    assert [guarded(each) for each in ("=1", "+1", "-1", "@A", "\tx", "'x", "x=1")] == [
        "'=1",
        "'+1",
        "'-1",
        "'@A",
        "'\tx",
        "''x",
        "x=1",
    ]
    assert unguarded("''x") == "'x"


def test_a_guard_that_forgets_the_apostrophe_is_caught() -> None:
    """Negative control: without doubling, text that begins with one comes back without it."""
    assert unguarded("'x") != "'x"


@pytest.mark.parametrize(
    ("model", "name", "value", "cell"),
    [
        (Round, "temperature_deg_c", Decimal("-3.50"), "-3.5"),
        (Round, "temperature_deg_c", None, ""),
        (Round, "settled", True, "true"),
        (Round, "taken_at", datetime(2026, 3, 1, 8, tzinfo=UTC), "2026-03-01T08:00:00.000000+00:00"),
        (Bay, "pad_levels_mm", {"b": 1.0, "a": [None, "ä"]}, '{"a":[null,"ä"],"b":1.0}'),
        (Specification, "true_vehicles_passing", 0.1, "0.1"),
        (Specification, "true_vehicles_passing", 1e-7, "1e-07"),
        (HeightCheck, "odometer_km", Decimal(120000), "120000"),
        (CertificateFile, "pdf", b"%PDF", "25504446"),
    ],
)
def test_values_have_one_cell_each(model: type[models.Model], name: str, value: Any, cell: str) -> None:
    field = model._meta.get_field(name)
    assert text_of(field, value) == cell  # type: ignore[arg-type]
    assert value_of(field, cell) == value  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("model", "name", "cell"),
    [
        (Round, "settled", "yes"),
        (Round, "taken_at", "2026-03-01T08:00:00"),
        (Round, "taken_at", ""),
        (Round, "temperature_deg_c", "NaN"),
        (Round, "job", "no id"),
        (Bay, "pad_levels_mm", "{"),
        (Bay, "surveyed_on", "yesterday"),
        (Specification, "revision", "1.5"),
        (Specification, "revision", "²"),
        (Specification, "true_vehicles_passing", "nan"),
        (Bay, "pad_levels_mm", "[" * 100_000),
    ],
)
def test_what_is_no_value_is_refused(model: type[models.Model], name: str, cell: str) -> None:
    with pytest.raises(CellError):
        value_of(model._meta.get_field(name), cell)  # type: ignore[arg-type]


def test_no_column_could_mean_null_and_the_empty_text_by_the_same_cell() -> None:
    nullable_text = [
        (table.label, field.name)
        for table in tables()
        for field in table.fields
        if field.null and isinstance(field, models.CharField | models.TextField)
    ]
    assert nullable_text == []
