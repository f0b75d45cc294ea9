"""Imports that come twice, cross one another or are cancelled at work: nothing doubled, nothing half stored.

Workers that are killed in the middle of one: `tests/reports/test_import_killed.py`.
"""

from __future__ import annotations

import threading
from collections import Counter
from typing import Any

import pytest
from django.db import connection, models

from calibration.models import HeightCheck, HeightCheckReading
from calibration.services import past_checks
from deploy.embedded.process import wait_until
from fleet import outbox, receipts
from fleet.errors import Conflict
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem
from fleet.tenancy import in_workshop
from reports.models import Import, ImportFile
from reports.services import import_running
from reports.services.imports import import_cancel
from tests.factories import Site
from tests.reports.imports import begun, check_row, csv_of, due_items, send

from .together import errors_of, performed_by_many, together

CLIENTS = 20
ROWS = 60
PIECE = 20
WORK = ("reports.import_go_on", "reports.import_evaluate")


@pytest.fixture(autouse=True)
def _small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(import_running, "PIECE_ROWS", PIECE)


def content_for(site: Site, vehicles: int = 3) -> bytes:
    vins = [site.vehicle().vin for _ in range(vehicles)]
    rows = [check_row(vins[n % vehicles], f"2024-03-01T{n // 60:02}:{n % 60:02}:00Z") for n in range(ROWS)]
    return csv_of(rows)


def backwards(content: bytes) -> bytes:
    """The same rows in the opposite order: two imports then meet their vehicles from both ends."""
    heading, *rows = content.splitlines(keepends=True)
    return b"".join([heading, *reversed(rows)])


def recorded(site: Site) -> tuple[int, int]:
    with in_workshop(site.workshop.pk):
        return HeightCheck.objects.count(), HeightCheckReading.objects.count()


def runs(site: Site) -> list[Import]:
    with in_workshop(site.workshop.pk):
        return list(Import.objects.order_by("created_at", "id"))


# The same import from many clients


def confirmed_by_all(site: Site, **fields: Any) -> list[Any]:
    content = content_for(site)
    return together([lambda: send(site.manager, content, **fields) for _ in range(CLIENTS)])


def test_one_import_that_twenty_clients_confirm_under_one_id_runs_once(site: Site) -> None:
    answers = confirmed_by_all(site, id=str(new_id()))
    assert Counter(answer.status_code for answer in answers) == {202: 1, 200: CLIENTS - 1}
    assert len({answer.json()["id"] for answer in answers}) == len(runs(site)) == 1
    with in_workshop(site.workshop.pk):
        assert ImportFile.objects.count() == 1

    performed_by_many(site, *WORK)
    (run,) = runs(site)
    assert (run.state, run.accepted, run.known, run.rejected) == ("done", ROWS, 0, 0)
    assert recorded(site) == (ROWS, 4 * ROWS)


def test_without_the_receipt_it_is_not_one_import(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(receipts, "_take", lambda *_arguments: True)
    answers = confirmed_by_all(site, id=str(new_id()))
    assert Counter(answer.status_code for answer in answers) != {202: 1, 200: CLIENTS - 1}


# Two imports for the same vehicles


def crossed(site: Site, **fields: Any) -> list[Import]:
    """Two imports of the same rows, performed by several workers at once until both have ended."""
    content = content_for(site)
    begun(site, content)
    begun(site, backwards(content), **fields)
    performed_by_many(site, *WORK)
    return runs(site)


@pytest.mark.parametrize("atomic", ["false", "true"])
def test_two_imports_for_the_same_vehicles_record_each_row_once(site: Site, atomic: str) -> None:
    both = crossed(site, atomic=atomic)

    assert errors_of(site, *WORK) == []
    assert [(run.state, run.rows, run.accepted, run.rejected) for run in both] == [("done", ROWS, ROWS, 0)] * 2
    assert sum(run.known for run in both) == ROWS
    assert recorded(site) == (ROWS, 4 * ROWS)
    assert told_in_the_ledger(site) == Counter(dict.fromkeys(told_in_the_ledger(site), 1))
    assert len(told_in_the_ledger(site)) == ROWS


def told_in_the_ledger(site: Site) -> Counter[str]:
    """How often entries tell of each check."""
    with in_workshop(site.workshop.pk):
        payloads = LedgerEntry.objects.filter(kind=past_checks.IMPORTED).values_list("payload", flat=True)
        return Counter(row["id"] for each in payloads for row in each["rows"]["calibration.heightcheck"])


def test_rows_that_nothing_identifies_would_be_recorded_twice(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(past_checks, "_id_of", lambda _at, _digest: new_id())
    crossed(site)
    assert recorded(site) == (2 * ROWS, 8 * ROWS)


def tried_by_many(site: Site) -> int:
    """How often the ledger says that a trial has ended whose only item four workers took at once."""
    begun(site, content_for(site)[:200].rsplit(b"\r\n", 1)[0], dry_run="true")
    (item,) = due_items(site)
    together([lambda: outbox.perform(site.workshop.pk, item.pk)] * 4)
    with in_workshop(site.workshop.pk):
        return LedgerEntry.objects.filter(kind="import_ended").count()


def test_an_item_that_many_workers_take_is_done_once(site: Site) -> None:
    assert tried_by_many(site) == 1


def test_without_claims_and_locks_it_is_done_more_often(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    def unclaimed(workshop: Any, item: Any, _hand_over: Any) -> OutboxItem:
        with in_workshop(workshop):
            return OutboxItem.objects.get(pk=item)

    def unlocked(queryset: models.QuerySet[Any], *_args: Any, **_options: Any) -> models.QuerySet[Any]:
        return queryset.all()

    monkeypatch.setattr(outbox, "_claim", unclaimed)
    monkeypatch.setattr(outbox, "_still_ours", lambda _item: True)
    monkeypatch.setattr(models.QuerySet, "select_for_update", unlocked)
    assert tried_by_many(site) > 1


# Cancelled while its worker runs


class Held:
    """A worker that has the rows of its piece in the database, and nothing committed, until it is let go."""

    def __init__(self, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
        self.site, self.reached, self.go = site, threading.Event(), threading.Event()
        self.note = import_running._note
        monkeypatch.setattr(import_running, "_note", self._held)
        (item,) = due_items(site)
        self.thread = threading.Thread(target=self._perform, args=(item.pk,))
        self.thread.start()
        assert self.reached.wait(timeout=60)

    def let_go(self) -> None:
        self.go.set()
        self.thread.join(timeout=60)
        assert not self.thread.is_alive()

    def _held(self, *arguments: Any) -> None:
        self.reached.set()
        assert self.go.wait(timeout=60)
        self.note(*arguments)

    def _perform(self, item: Any) -> None:
        try:
            outbox.perform(self.site.workshop.pk, item)
        finally:
            connection.close()


def cancelled(site: Site, key: str) -> Any:
    with in_workshop(site.workshop.pk):
        return import_cancel(actor=site.manager.actor(), import_id=key)  # type: ignore[arg-type]


WAITS_SQL = """
    SELECT EXISTS (SELECT FROM pg_stat_activity WHERE datname = current_database() AND wait_event_type = 'Lock')
"""


def somebody_waits() -> bool:
    """For a lock, in the database of this test process."""
    with connection.cursor() as cursor:
        return bool(cursor.execute(WAITS_SQL).fetchone()[0])


def cancelled_at_work(site: Site, monkeypatch: pytest.MonkeyPatch, **fields: Any) -> Import:
    """The cancellation comes in the middle of a piece and waits for it; whatever is left to do then is performed."""
    monkeypatch.setattr("reports.services.imports.PATIENCE", "60s")
    key = begun(site, content_for(site), **fields)
    held, is_cancelled = Held(site, monkeypatch), threading.Event()

    def let_go_where_it_waits() -> None:
        try:
            wait_until(lambda: is_cancelled.is_set() or somebody_waits(), 60)
            held.go.set()
        finally:
            connection.close()

    letting_go = threading.Thread(target=let_go_where_it_waits)
    letting_go.start()
    try:
        cancelled(site, key)
    finally:
        is_cancelled.set()
        letting_go.join(timeout=60)
    held.let_go()
    performed_by_many(site, *WORK)
    (run,) = runs(site)
    return run


def test_what_is_cancelled_at_work_keeps_whole_pieces(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    run = cancelled_at_work(site, monkeypatch)
    assert (run.state, run.rows, run.accepted) == ("cancelled", PIECE, PIECE)
    assert recorded(site) == (PIECE, 4 * PIECE)
    assert len(told_in_the_ledger(site)) == PIECE
    with in_workshop(site.workshop.pk):
        assert LedgerEntry.objects.filter(kind="import_ended").count() == 1


def test_all_or_nothing_that_is_cancelled_at_work_keeps_nothing(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    run = cancelled_at_work(site, monkeypatch, atomic="true")
    assert run.state == "cancelled"
    assert recorded(site) == (0, 0)


def test_without_the_lock_a_cancelled_import_would_go_on(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: the worker's piece, committed last, takes the cancellation back."""

    def unlocked(queryset: models.QuerySet[Any], *_args: Any, **_options: Any) -> models.QuerySet[Any]:
        return queryset.all()

    with monkeypatch.context() as patched:
        patched.setattr(models.QuerySet, "select_for_update", unlocked)
        run = cancelled_at_work(site, patched)
    assert run.state != "cancelled"


def test_what_is_recorded_all_at_once_says_that_it_cannot_be_stopped(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("reports.services.imports.PATIENCE", "300ms")
    key = begun(site, content_for(site), atomic="true")
    with in_workshop(site.workshop.pk):
        Import.objects.filter(pk=key).update(phase=Import.Phase.RECORDING)
    held = Held(site, monkeypatch)
    with pytest.raises(Conflict) as refusal:
        cancelled(site, key)
    held.let_go()
    assert refusal.value.code == "being_recorded"
    (run,) = runs(site)
    assert (run.state, recorded(site)) == ("done", (ROWS, 4 * ROWS))
