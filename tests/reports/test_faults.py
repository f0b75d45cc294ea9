"""Whatever is killed or raced: one certificate, its number without a gap, nothing lost."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import psycopg
import pytest
from django.db import connections
from django.utils import timezone

from deploy import database
from deploy.embedded.folder import data_folder
from fleet import outbox
from fleet.models import LedgerEntry, OutboxItem
from fleet.tenancy import in_workshop
from reports.models import Certificate, CertificateFile
from tests.database import connected_to, copied_database
from tests.factories import Site, make_site

from . import jobs
from .worker_process import hold, without_locks, worker

SIGNED_OFF = "calibration.job_signed_off"


@pytest.fixture
def site(committed_db: None, no_hints: None) -> Site:
    return make_site()


@pytest.fixture
def item(site: Site) -> OutboxItem:
    """The work of making the certificate of a job just signed off."""
    jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        return OutboxItem.objects.get(kind=SIGNED_OFF)


def let_the_lease_lapse(item: OutboxItem) -> None:
    with in_workshop(item.workshop_id):
        past = timezone.now() - timedelta(seconds=1)
        OutboxItem.objects.filter(pk=item.pk).update(leased_until=past)


def made(item: OutboxItem) -> tuple[list[int], int, int]:
    """Numbers of certificates, count of files, count of ledger entries of issue."""
    with in_workshop(item.workshop_id):
        return (
            list(Certificate.objects.order_by("number").values_list("number", flat=True)),
            CertificateFile.objects.count(),
            LedgerEntry.objects.filter(kind="certificate_issued").count(),
        )


ONE = ([1], 1, 1)


def test_worker_killed_in_the_middle_yields_exactly_one_certificate(item: OutboxItem) -> None:
    with worker(item, hold) as process:
        assert process.says() == "drawing"
        process.kill()
    assert made(item) == ([], 0, 0)
    assert not outbox.perform(item.workshop_id, item.pk), "its lease still holds"
    let_the_lease_lapse(item)
    assert outbox.perform(item.workshop_id, item.pk)
    assert made(item) == ONE
    with in_workshop(item.workshop_id):
        assert OutboxItem.objects.get(pk=item.pk).attempts == 2


def test_second_worker_cannot_begin_what_a_slow_one_is_still_doing(item: OutboxItem) -> None:
    with worker(item, hold) as slow:
        assert slow.says() == "drawing"
        # The lapse of the lease cannot be written while the slow worker holds the row, so the second worker is
        # asked as if it had: it must neither wait for ever nor make anything.
        assert not outbox.perform(item.workshop_id, item.pk)
        assert made(item) == ([], 0, 0)
        assert slow.go_on() == "done"
    assert made(item) == ONE
    assert not outbox.perform(item.workshop_id, item.pk)


def test_two_items_for_one_job_raced_make_one_certificate(site: Site, item: OutboxItem) -> None:
    with in_workshop(site.workshop.pk):
        twin = OutboxItem.objects.create(
            kind=item.kind, payload=item.payload, created_at=item.created_at, due_at=item.due_at
        )
    with worker(item, hold) as first:
        assert first.says() == "drawing"
        with worker(twin) as second:
            assert first.go_on() == "done"
            assert second.go_on() == "done"
    assert made(item) == ONE


def test_many_workers_on_one_item_make_one_certificate(item: OutboxItem) -> None:
    def perform(_: int) -> bool:
        try:
            return outbox.perform(item.workshop_id, item.pk)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(perform, range(16))) == 1
    assert made(item) == ONE


def test_jobs_closed_together_get_numbers_without_a_gap(site: Site) -> None:
    for _ in range(6):
        jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        items = list(OutboxItem.objects.filter(kind=SIGNED_OFF))

    def perform(item: OutboxItem) -> bool:
        try:
            return outbox.perform(item.workshop_id, item.pk)
        finally:
            connections.close_all()

    with ThreadPoolExecutor(6) as pool:
        assert all(pool.map(perform, items))
    assert made(items[0]) == (list(range(1, 7)), 6, 6)


# --- The same test on seeded faults: it must see what it claims to see --------------------------------------


@pytest.fixture
def unguarded(django_db_setup: None, committed_db: None) -> Iterator[None]:
    """Another database, without the constraints that would stop a second certificate."""
    with copied_database(data_folder(), "unguarded") as name:
        parameters = database.connection_parameters("owner", data_folder()) | {"dbname": name}
        with psycopg.connect(**parameters, autocommit=True) as owner:
            owner.execute("DROP INDEX reports_certificate_one_first")
        with connected_to(name):
            yield


@pytest.mark.parametrize(
    ("changes", "expected"), [((), 1), ((without_locks,), 2)], ids=["with the locks", "without the locks"]
)
def test_count_sees_a_second_certificate_where_the_locks_are_taken_out(
    unguarded: None, no_hints: None, changes: tuple[Callable[[], None], ...], expected: int
) -> None:
    site = make_site()
    jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        item = OutboxItem.objects.get(kind=SIGNED_OFF)
        twin = OutboxItem.objects.create(
            kind=item.kind, payload=item.payload, created_at=item.created_at, due_at=item.due_at
        )
    with worker(item, hold, *changes) as first:
        assert first.says() == "drawing"
        with worker(twin, *changes) as second:
            if expected == 2:  # nothing holds the second one up
                assert second.go_on() == "done"
            assert first.go_on() == "done"
            if expected == 1:
                assert second.go_on() == "done"
    with in_workshop(site.workshop.pk):
        assert Certificate.objects.count() == expected
