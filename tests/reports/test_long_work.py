"""Work that takes long is left to a task that may take hours, and nobody does it beside whoever is at it."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from django.db import connections
from django.utils import timezone

from deploy.backup.making import backup_make
from deploy.embedded.folder import data_folder
from deploy.embedded.process import wait_until
from fleet import outbox
from fleet.models import OutboxItem
from fleet.tasks import LONGEST_S, perform_long_outbox_item
from fleet.tenancy import in_workshop
from reports.archive.filling import archive_write
from reports.models import Export
from reports.services import exports
from tests.factories import Site, make_site
from tests.reports.test_broker import PATIENCE, WORKER, hint, running, url
from tests.reports.test_exports import let_the_lease_lapse
from tests.reports.workshops import exported

__all__ = ["url"]


@pytest.fixture
def asked(committed_db: None) -> tuple[Site, OutboxItem]:
    """An export that waits for a worker."""
    site = make_site()
    assert site.manager.client().post("/api/v1/exports/", {}).status_code == 202
    with in_workshop(site.workshop.pk):
        return site, OutboxItem.objects.get(kind=exports.MAKE_KIND)


def is_made(site: Site) -> bool:
    with in_workshop(site.workshop.pk):
        return Export.objects.filter(made_at__isnull=False).exists()


def test_it_is_handed_over_and_not_begun(asked: tuple[Site, OutboxItem]) -> None:
    site, item = asked
    handed_over: list[bool] = []
    assert not outbox.perform(site.workshop.pk, item.pk, hand_over=lambda: handed_over.append(True))
    assert handed_over == [True]
    with in_workshop(site.workshop.pk):
        assert OutboxItem.objects.get(pk=item.pk).attempts == 0
    assert not is_made(site)


def test_short_work_is_not_handed_over(committed_db: None) -> None:
    site = make_site()
    with in_workshop(site.workshop.pk):
        item = OutboxItem.objects.get(kind="fleet.workshop_founded")
    assert outbox.perform(site.workshop.pk, item.pk, hand_over=pytest.fail)


def test_a_real_worker_makes_an_export(asked: tuple[Site, OutboxItem], url: str) -> None:
    site, item = asked
    with running(url, *WORKER):
        hint(item, url)
        assert wait_until(lambda: is_made(site), PATIENCE)
    assert perform_long_outbox_item.time_limit == LONGEST_S


def test_nobody_begins_what_somebody_is_at_even_after_the_lease(
    asked: tuple[Site, OutboxItem], monkeypatch: pytest.MonkeyPatch
) -> None:
    """An export may take longer than a lease: its row is held, and the attempts of others count nothing."""
    site, item = asked
    begun, go_on, write = Event(), Event(), archive_write

    def slowly(*args: object, **options: object) -> object:
        begun.set()
        assert go_on.wait(PATIENCE)
        return write(*args, **options)  # type: ignore[arg-type]

    def perform() -> bool:
        try:
            return outbox.perform(site.workshop.pk, item.pk)
        finally:
            connections.close_all()

    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(pk=item.pk).update(attempts=1)
    monkeypatch.setattr(outbox, "LEASE", timedelta(0))
    monkeypatch.setattr(exports, "archive_write", slowly)
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(perform)
        assert begun.wait(PATIENCE)
        assert [outbox.perform(site.workshop.pk, item.pk) for _ in range(6)] == [False] * 6
        go_on.set()
        assert first.result()
    assert is_made(site)
    with in_workshop(site.workshop.pk):
        assert OutboxItem.objects.get(pk=item.pk).attempts == 2


@pytest.fixture
def files(tmp_path: Path, settings: Any) -> Path:
    """Of this test alone, with a picture."""
    settings.MEDIA_ROOT = tmp_path / "files"
    (tmp_path / "files" / "photos" / "kept").mkdir(parents=True)
    (tmp_path / "files" / "photos" / "kept" / "picture").write_bytes(b"x")
    return tmp_path / "files"


def backed_up(files: Path) -> set[str]:
    """The files of a backup."""
    copied = files.with_name("backup") / "files"
    backup_make(copied.parent, data=data_folder(), files=files, now=timezone.now())
    return {path.relative_to(copied).as_posix() for path in copied.rglob("*") if path.is_file()}


def test_a_backup_does_without_exports(committed_db: None, files: Path) -> None:
    assert files in exported(make_site()).parents
    assert backed_up(files) == {"photos/kept/picture"}


def test_a_backup_does_without_what_goes_while_it_is_made(
    committed_db: None, files: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A picture that is being stored has another name a moment later; nothing names it yet."""
    unfinished, copy = files / "photos" / "kept" / "other.unfinished", shutil.copy2
    unfinished.write_bytes(b"y")

    def copied(source: str, target: str, **options: Any) -> str:
        unfinished.unlink(missing_ok=True)
        return copy(source, target, **options)

    monkeypatch.setattr(shutil, "copy2", copied)
    assert backed_up(files) == {"photos/kept/picture"}


def test_the_lease_of_a_dead_worker_lapses(asked: tuple[Site, OutboxItem]) -> None:
    site, item = asked
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.filter(pk=item.pk).update(attempts=1, leased_until=timezone.now() + outbox.LEASE)
    assert not outbox.perform(site.workshop.pk, item.pk)
    let_the_lease_lapse(item)
    assert outbox.perform(site.workshop.pk, item.pk)
