"""What was exported, taken in by an empty workshop of another installation and exported again, is equal."""

from __future__ import annotations

import csv
import io
import zipfile
from pathlib import Path

import pytest
from django.core.management import call_command

from fleet.services import checkpoint_make
from fleet.tenancy import in_workshop
from tests.reports.workshops import (
    another_installation,
    busy_site,
    empty_site,
    exported,
    perform_due,
    system,
    taken_in,
)

pytestmark = pytest.mark.usefixtures("committed_db", "no_hints")


def tables_in(file: Path) -> dict[str, list[dict[str, str]]]:
    found = {}
    with zipfile.ZipFile(file) as archive:
        for name in archive.namelist():
            if name.startswith("tables/"):
                with archive.open(name) as raw:
                    found[name] = list(csv.DictReader(io.TextIOWrapper(raw, "utf-8-sig", newline="")))
    return found


def test_all(tmp_path: Path) -> None:
    file = exported(busy_site())
    before = tables_in(file)
    with another_installation(tmp_path / "files"):
        site = empty_site()
        intake = taken_in(site, file)
        assert intake.state == "done", intake.refusal
        with in_workshop(site.workshop.pk):
            checkpoint_make(actor=system(site))
        call_command("verify_records", "--workshop", str(site.workshop.pk))
        perform_due(site.workshop.pk)
        after = tables_in(exported(site))
    for name, rows in before.items():
        if rows != after[name]:
            print(name, len(rows), len(after[name]))
            for one, other in zip(rows, after[name]):
                print({k: (v, other[k]) for k, v in one.items() if other[k] != v})
    assert before == after
