"""Archives that come at once, and an archive that is taken in while somebody records the first thing of a workshop."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection

from deploy.embedded.folder import data_folder
from fleet import ledger, outbox
from fleet.ids import new_id
from fleet.models import LedgerEntry, OutboxItem
from fleet.tenancy import in_workshop
from fleet.verification import Verified, consistent_snapshot, verify_workshop
from reports.models import ArchiveIntake
from reports.selectors.archives import what_is_there
from reports.services import archives
from tests.database import database_environment
from tests.factories import Site
from tests.reports.workshops import Busy, another_installation, empty_site, handed_in

from .together import performed_by_many, together

ARCHIVES = "/api/v1/archives/"
TAKE_IN = "reports.archive_take_in"
CLIENTS = 6


@pytest.fixture
def empty(busy: Busy, committed_db: None, no_hints: None, tmp_path: Path) -> Iterator[Site]:
    """A workshop of another installation, where the archive's records are not yet."""
    with another_installation(tmp_path):
        yield empty_site()


def posted_by_all(site: Site, content: bytes, **body: Any) -> list[Any]:
    def post() -> Any:
        file = SimpleUploadedFile("workshop.zip", content, "application/zip")
        return site.manager.client().post(ARCHIVES, {"file": file, **body}, format="multipart")

    return together([post] * CLIENTS)


def intakes(site: Site) -> list[ArchiveIntake]:
    with in_workshop(site.workshop.pk):
        return list(ArchiveIntake.objects.order_by("handed_in_at", "id"))


def kept_files(site: Site) -> list[Path]:
    return sorted((Path(settings.MEDIA_ROOT) / "archives" / str(site.workshop.pk)).iterdir())


def replayed(site: Site) -> int:
    """Entries of the old ledger that are in this one."""
    with in_workshop(site.workshop.pk):
        return LedgerEntry.objects.filter(payload__has_key="taken_in").count()


def verified(site: Site) -> Verified:
    with consistent_snapshot(), in_workshop(site.workshop.pk):
        return verify_workshop(site.workshop.pk)


# Handed in at once


def all_see_it_empty(empty: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody stores anything before everybody has seen that the workshop is empty."""
    assert empty.manager.client().get(ARCHIVES).status_code == 200  # notes the token's use: one request at a time
    require_empty = archives._require_empty
    seen = threading.Barrier(CLIENTS)

    def look() -> None:
        require_empty()
        seen.wait(timeout=60)

    monkeypatch.setattr(archives, "_require_empty", look)


def assert_taken_in_once(site: Site) -> None:
    assert len(kept_files(site)) == 1
    performed_by_many(site, TAKE_IN)
    (intake,) = intakes(site)
    assert (intake.state, intake.refusal) == ("done", {})
    assert replayed(site) == intake.source["counts"]["ledger_entries"]
    assert verified(site).problem is None


def test_of_archives_that_are_handed_in_at_once_one_is_taken_in(
    empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch
) -> None:
    all_see_it_empty(empty, monkeypatch)
    answers = posted_by_all(empty, busy.file.read_bytes())
    assert Counter(each.status_code for each in answers) == {202: 1, 409: CLIENTS - 1}
    refused = next(each.json() for each in answers if each.status_code == 409)
    assert "one waits for that" in refused["detail"]
    assert_taken_in_once(empty)


def test_one_archive_that_is_sent_by_all_under_one_id_is_taken_in_once(empty: Site, busy: Busy) -> None:
    answers = posted_by_all(empty, busy.file.read_bytes(), id=str(new_id()))
    assert Counter(each.status_code for each in answers) == {202: 1, 200: CLIENTS - 1}
    assert_taken_in_once(empty)


def test_without_the_constraint_several_would_wait(empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch) -> None:
    environment = database_environment(data_folder(), connection.settings_dict["NAME"])
    with psycopg.connect(environment["DATABASE_OWNER_URL"], autocommit=True) as owner:
        owner.execute("DROP INDEX reports_archiveintake_one")
    all_see_it_empty(empty, monkeypatch)
    answers = posted_by_all(empty, busy.file.read_bytes())
    assert Counter(each.status_code for each in answers) == {202: CLIENTS}


# Taken in while somebody records


def recorded_by(site: Site) -> Any:
    """What a workshop begins with, as a request."""
    return site.manager.client().post("/api/v1/operators/", {"name": "Quay Cars", "email": "cars@example.com"})


class Intake:
    """A worker with an archive; held where `hold` says, until it is let go."""

    def __init__(self, site: Site, file: Path) -> None:
        self.site = site
        handed_in(site, file)
        with in_workshop(site.workshop.pk):
            self.item = OutboxItem.objects.get(kind=TAKE_IN)
        self.reached, self.go = threading.Event(), threading.Event()
        self.thread = threading.Thread(target=self._perform)

    def hold(self, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
        """Before this function of `services.archives` is called."""
        original: Callable[..., Any] = getattr(archives, name)

        def held(*arguments: Any) -> Any:
            self.reached.set()
            assert self.go.wait(timeout=60)
            return original(*arguments)

        monkeypatch.setattr(archives, name, held)

    def begin(self) -> None:
        self.thread.start()
        assert self.reached.wait(timeout=60)

    def end(self) -> ArchiveIntake:
        self.go.set()
        self.thread.join(timeout=60)
        assert not self.thread.is_alive()
        (intake,) = intakes(self.site)
        return intake

    def _perform(self) -> None:
        try:
            outbox.perform(self.site.workshop.pk, self.item.pk)
        finally:
            connection.close()


def recorded_in_the_middle(empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch) -> tuple[Any, ArchiveIntake]:
    """What a request answers while an archive is taken in, which has seen that the workshop is empty."""
    intake = Intake(empty, busy.file)
    intake.hold(monkeypatch, "rows_take_in")
    intake.begin()
    answer = recorded_by(empty)
    return answer, intake.end()


def test_whoever_records_in_the_middle_is_told_to_come_back(
    empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer, intake = recorded_in_the_middle(empty, busy, monkeypatch)
    assert (answer.status_code, answer.json()["type"]) == (503, "archive_being_taken_in")
    assert (answer["Retry-After"], "Try again" in answer.json()["detail"]) == ("60", True)
    assert intake.state == "done"
    assert recorded_by(empty).status_code == 201
    assert verified(empty).problem is None


def test_without_the_lock_a_sound_archive_would_be_called_altered(
    empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger, "keep_others_out", lambda _workshop: None)
    answer, intake = recorded_in_the_middle(empty, busy, monkeypatch)
    assert (answer.status_code, intake.refusal["code"]) == (201, "differs_from_ledger")


WAITS_SQL = """
    SELECT EXISTS (SELECT FROM pg_locks JOIN pg_database ON pg_database.oid = pg_locks.database
                   WHERE datname = current_database() AND locktype = 'advisory' AND NOT granted)
"""


def taken_in_beside_a_step(empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch) -> ArchiveIntake:
    """A step has recorded the first thing, and commits when the archive's worker waits for it or has looked around."""
    intake, looked = Intake(empty, busy.file), threading.Event()

    def look() -> list[str]:
        there = what_is_there()
        looked.set()
        return there

    monkeypatch.setattr(archives, "what_is_there", look)
    with in_workshop(empty.workshop.pk), connection.cursor() as cursor:
        empty.operator()
        intake.thread.start()
        while not looked.wait(timeout=0.05):
            if cursor.execute(WAITS_SQL).fetchone() == (True,):
                break
    return intake.end()


def test_an_archive_waits_for_a_step_under_way_and_sees_what_it_recorded(
    empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch
) -> None:
    intake = taken_in_beside_a_step(empty, busy, monkeypatch)
    assert (intake.state, intake.refusal["code"]) == ("refused", "not_empty")
    with in_workshop(empty.workshop.pk):
        assert what_is_there() == ["fleet.operator"]
    assert (replayed(empty), verified(empty).problem) == (0, None)


def test_without_the_lock_it_would_not_see_it(empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch) -> None:
    """Only later would rows that are none of its own be met, and the archive be called altered for them."""
    monkeypatch.setattr(ledger, "keep_others_out", lambda _workshop: None)
    intake = taken_in_beside_a_step(empty, busy, monkeypatch)
    assert intake.refusal["code"] in ("refused_rows", "differs_from_ledger")


def test_a_step_that_hangs_keeps_nobody_else_waiting(empty: Site, busy: Busy, monkeypatch: pytest.MonkeyPatch) -> None:
    """The archive's worker gives up and comes again; in between the workshop may record."""
    monkeypatch.setattr(ledger, "LONGEST_STEP", timedelta(milliseconds=300))
    intake = Intake(empty, busy.file)
    with in_workshop(empty.workshop.pk):
        empty.operator()
        intake.thread.start()
        assert intake.end().state == "waiting"
    with in_workshop(empty.workshop.pk):
        item = OutboxItem.objects.get(pk=intake.item.pk)
    assert (item.state, item.leased_until, "has not ended" in item.error) == ("waiting", None, True)
    assert recorded_by(empty).status_code == 201
