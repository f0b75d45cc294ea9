"""The database refuses exports and archives that are half made, whoever writes them."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, transaction
from django.utils import timezone

from fleet.models import Vehicle
from fleet.tenancy import in_workshop
from reports.models import ArchiveIntake, Export
from tests.factories import Site

NOW = timezone.now()
MADE: dict[str, Any] = {"made_at": NOW, "expires_at": NOW, "size": 1, "sha256": "a" * 64}
HANDED_IN: dict[str, Any] = {"handed_in_at": NOW, "sha256": "a" * 64, "size": 1}
DONE: dict[str, Any] = {"state": "done", "finished_at": NOW, "evidence_sha256": "b" * 64}


@pytest.fixture(autouse=True)
def _inside(site: Site) -> Any:
    with in_workshop(site.workshop.pk):
        yield


def refused_by(model: type[Any], **values: Any) -> str:
    with pytest.raises(IntegrityError) as refusal, transaction.atomic():
        model.objects.create(**values)
    return str(refusal.value)


@pytest.mark.parametrize("without", list(MADE))
def test_an_export_is_made_whole(without: str) -> None:
    Export.objects.create(requested_at=NOW)
    Export.objects.create(requested_at=NOW, **MADE)
    half = {name: value for name, value in MADE.items() if name != without}
    assert "reports_export_made_whole" in refused_by(Export, requested_at=NOW, **half)


def test_only_a_made_export_is_cleared() -> None:
    Export.objects.create(requested_at=NOW, cleared_at=NOW, **MADE)
    assert "cleared_after_made" in refused_by(Export, requested_at=NOW, cleared_at=NOW)


@pytest.mark.parametrize("first", [{}, DONE])
@pytest.mark.parametrize("second", [{}, DONE])
def test_one_archive_waits_or_is_taken_in(first: dict[str, Any], second: dict[str, Any]) -> None:
    ArchiveIntake.objects.create(**HANDED_IN, state="refused", finished_at=NOW)
    ArchiveIntake.objects.create(**HANDED_IN, **first)
    assert "reports_archiveintake_one" in refused_by(ArchiveIntake, **HANDED_IN, **second)


def test_an_archive_has_a_hash() -> None:
    assert "archiveintake_hash" in refused_by(ArchiveIntake, **{**HANDED_IN, "sha256": "x"})


@pytest.mark.parametrize(
    "values",
    [
        {"finished_at": NOW},
        {"state": "refused"},
        {"state": "refused", "finished_at": NOW, "evidence_sha256": "b" * 64},
        {"state": "done", "finished_at": NOW},
        {**DONE, "finished_at": None},
    ],
)
def test_an_archive_is_finished_with_its_time(values: dict[str, Any]) -> None:
    assert "finished_with_time" in refused_by(ArchiveIntake, **HANDED_IN, **values)


def test_an_export_is_of_a_person_of_its_workshop(other_site: Site) -> None:
    assert Vehicle.objects.exists()  # it is this workshop's transaction
    stranger = other_site.manager.membership.pk
    assert "same_workshop" in refused_by(Export, requested_at=NOW, requested_by_id=stranger)
