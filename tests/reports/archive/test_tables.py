"""Every table of the service is in an archive, or is named with the reason why it is not."""

from __future__ import annotations

import csv
import io
from typing import Any

import pytest
from django.apps import apps
from django.db import models

from fleet.models import TenantModel
from reports.archive import tables as catalogue
from reports.archive.dictionary import HEADER, as_csv, as_text, lines
from reports.archive.tables import LEFT_OUT, tables

OWN = ("fleet", "calibration", "reports")
SECRET = {"pin", "password", "digest", "sealed", "sealed_private_key", "key", "secret", "token", "session_key", "code"}
NO_SECRETS = {("reports.certificate", "code"), ("calibration.finding", "code"), ("calibration.finding", "key")}
"""Printed on paper for anybody to type in; which finding it is, and of what."""


def unnamed() -> set[str]:
    ours = {model._meta.label_lower for model in apps.get_models() if model._meta.app_label in OWN}
    return ours - {table.label for table in tables()} - set(LEFT_OUT)


def test_no_table_is_forgotten() -> None:
    assert unnamed() == set()
    tenants = {each._meta.label_lower for each in apps.get_models() if issubclass(each, TenantModel)}
    assert tenants - {table.label for table in tables()} <= set(LEFT_OUT)


def test_a_forgotten_table_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control."""
    short = {label: why for label, why in LEFT_OUT.items() if label != "fleet.receipt"}
    monkeypatch.setattr("tests.reports.archive.test_tables.LEFT_OUT", short)
    assert unnamed() == {"fleet.receipt"}


def test_nothing_is_named_twice_or_without_a_reason() -> None:
    labels = [table.label for table in tables()]
    assert len(labels) == len(set(labels))
    assert not set(labels) & set(LEFT_OUT)
    assert all(len(why) > 10 for why in LEFT_OUT.values())
    assert all(len(why) > 10 for table in tables() for why in table.without.values())
    assert {label for label in (*labels, *LEFT_OUT) if not _is_model(label)} == set()


def test_no_column_is_secret() -> None:
    held = {(table.label, name) for table in tables() for name in table.columns}
    assert {(label, name) for label, name in held if name in SECRET} == NO_SECRETS
    assert not {name for _label, name in held if "salt" in name or "hash" in name}


def test_columns_that_are_left_out_are_columns() -> None:
    for table in tables():
        known = {field.attname for field in table.model._meta.concrete_fields}
        assert set(table.without) <= known, table.label


def test_tables_come_after_those_that_they_refer_to() -> None:
    place = {table.label: number for number, table in enumerate(tables())}
    for table in tables():
        for field in table.fields:
            if isinstance(field, models.ForeignKey):
                target = field.remote_field.model._meta.label_lower
                assert place[target] <= place[table.label], (table.label, field.name)


class TestDictionary:
    def test_has_a_line_for_every_column_with_its_meaning(self) -> None:
        rows = list(csv.DictReader(io.StringIO(as_csv())))
        assert tuple(rows[0]) == HEADER
        assert [(row["table"], row["column"]) for row in rows] == [
            (table.label, name) for table in tables() for name in table.columns
        ]
        assert all(row["meaning"] and row["kind"] for row in rows)

    @pytest.mark.parametrize(
        ("table", "column", "unit"),
        [
            ("calibration.reading", "height_mm", "mm"),
            ("calibration.job", "odometer_km", "km"),
            ("calibration.round", "temperature_deg_c", "°C"),
            ("calibration.leaktest", "start_heights_um", "µm"),
            ("calibration.photo", "size", "bytes"),
            ("fleet.workshop", "page_size", ""),
        ],
    )
    def test_says_the_unit(self, table: str, column: str, unit: str) -> None:
        assert one(table, column).unit == unit

    def test_takes_meanings_from_the_models(self) -> None:
        assert "refiled job" in one("reports.certificate", "vehicle_id").meaning
        assert "Membership that recorded it" in one("calibration.round", "recorded_by").meaning
        assert one("calibration.round", "job_id").refers_to == "calibration.job"
        assert "as_specified" in one("calibration.heightcheck", "loading").one_of

    def test_is_there_to_read_too(self) -> None:
        text = as_text()
        assert all(f"\n{table.label}\n" in text for table in tables())
        assert all(f"{label}: " in text for label in LEFT_OUT)


def one(table: str, column: str) -> Any:
    return next(line for line in lines() if (line.table, line.column) == (table, column))


def _is_model(label: str) -> bool:
    return label in {model._meta.label_lower for model in apps.get_models()}


def test_the_catalogue_is_read_once() -> None:
    assert catalogue.tables() is catalogue.tables()
