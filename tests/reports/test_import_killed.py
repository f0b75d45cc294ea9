"""Whatever is killed when: every row of an import is recorded exactly once, and the records verify."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta

import pytest
from django.db import connection
from django.utils import timezone

from calibration.models import HeightCheck, HeightCheckReading
from deploy.embedded.folder import CHECKOUT, data_folder
from fleet import outbox
from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.models import Import
from reports.services import import_running
from tests.database import database_environment
from tests.factories import Site, make_site

from .imports import begun, check_row, csv_of, due_items

PATIENCE = 240
ROWS = 120
PIECE = 50


@pytest.fixture
def site(committed_db: None, no_hints: None, monkeypatch: pytest.MonkeyPatch) -> Site:
    monkeypatch.setattr(import_running, "PIECE_ROWS", PIECE)
    return make_site()


@contextmanager
def worker(item: OutboxItem, *options: str) -> Iterator[subprocess.Popen[str]]:
    """A process that performs the item on the database of this test, and stops where the options say."""
    environment = database_environment(data_folder(), connection.settings_dict["NAME"])
    command = [sys.executable, "-m", "tests.reports.import_worker", str(item.workshop_id), str(item.pk), *options]
    command += ["--piece-rows", str(PIECE)]
    process = subprocess.Popen(
        command,
        cwd=CHECKOUT,
        env={**os.environ, **environment, "DJANGO_SETTINGS_MODULE": "deploy.settings"},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate(timeout=PATIENCE)


def carry_out_with_a_kill(site: Site, key: str, killed_in: int, *options: str) -> Import:
    """All pieces, one of which is killed with its rows in the database and nothing committed."""
    number = 0
    with in_workshop(site.workshop.pk):
        OutboxItem.objects.exclude(kind="reports.import_go_on").update(state="done", finished_at=timezone.now())
    while items := due_items(site):
        (item,) = items
        if number == killed_in:
            with worker(item, *options) as process:
                assert process.stdout is not None
                assert process.stdout.readline().strip() == "recorded"
                process.send_signal(signal.SIGKILL)
                process.wait(PATIENCE)
            with in_workshop(site.workshop.pk):
                long_ago = timezone.now() - timedelta(minutes=5)
                OutboxItem.objects.filter(pk=item.pk).update(leased_until=long_ago)
        number += 1
        assert outbox.perform(site.workshop.pk, item.pk)
    with in_workshop(site.workshop.pk):
        return Import.objects.get(pk=key)


def content_for(site: Site) -> bytes:
    vins = [site.vehicle().vin for _ in range(3)]
    rows = [
        check_row(vins[n % 3], f"2024-{1 + n // 100 % 12:02}-01T{n // 60 % 24:02}:{n % 60:02}:00Z") for n in range(ROWS)
    ]
    return csv_of(rows)


def recorded(site: Site) -> tuple[int, int]:
    with in_workshop(site.workshop.pk):
        return HeightCheck.objects.count(), HeightCheckReading.objects.count()


@pytest.mark.parametrize("killed_in", [0, 1, 2])
def test_a_killed_piece_is_carried_out_again_once(site: Site, killed_in: int) -> None:
    key = begun(site, content_for(site))
    run = carry_out_with_a_kill(site, key, killed_in)

    assert (run.state, run.rows, run.accepted, run.known, run.rejected) == ("done", ROWS, ROWS, 0, 0)
    assert recorded(site) == (ROWS, 4 * ROWS)


@pytest.mark.parametrize("killed_in", [1, 3])
def test_all_or_nothing_stays_so_when_it_is_killed(site: Site, killed_in: int) -> None:
    key = begun(site, content_for(site), atomic="true")
    run = carry_out_with_a_kill(site, key, killed_in)

    assert (run.state, run.accepted, run.known) == ("done", ROWS, 0)
    assert recorded(site) == (ROWS, 4 * ROWS)


def test_progress_that_is_not_committed_with_the_rows_would_be_seen(site: Site) -> None:
    """Negative control: the rows are committed before the progress, so that the killed piece is counted as known."""
    key = begun(site, content_for(site))
    run = carry_out_with_a_kill(site, key, 1, "--commit-rows-first")

    assert recorded(site) == (ROWS, 4 * ROWS)  # thanks to what identifies a row
    assert run.known == PIECE
