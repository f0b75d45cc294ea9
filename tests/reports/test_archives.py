"""What an empty workshop takes in, and what it refuses: all of an archive or nothing, and why."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test.client import MULTIPART_CONTENT
from django.utils import timezone
from rest_framework.test import APIClient

from fleet.ids import new_id
from fleet.models import Bay, LedgerEntry, OutboxItem
from fleet.tenancy import in_workshop
from reports.archive.members import ArchiveError
from reports.archive.opening import Archive
from reports.selectors.archives import what_is_there
from reports.services import archives
from tests.factories import Site
from tests.reports.altered_archives import nothing_was_taken_in
from tests.reports.workshops import ARCHIVES, Busy, empty_site, handed_in, perform_due, posted, taken_in

pytestmark = pytest.mark.usefixtures("db", "no_hints")


@pytest.fixture
def empty(db: None) -> Site:
    return empty_site()


class TestHandingIn:
    def test_it_is_queued_and_says_what_it_is_of(self, empty: Site, busy: Busy) -> None:
        answer = posted(empty, busy.file.read_bytes())
        assert answer.status_code == 202
        told = answer.json()
        assert (told["state"], told["refusal"]) == ("queued", None)
        assert told["source_workshop"]["workshop"] == busy.site.workshop.name
        assert told["contents"]["jobs"] == 3
        client = empty.manager.client()
        assert client.get(ARCHIVES).json()["results"] == [told]
        assert client.get(f"{ARCHIVES}{told['id']}/").json() == told

    def test_the_same_id_and_file_is_the_same_intake(self, empty: Site, busy: Busy) -> None:
        known, content = str(new_id()), busy.file.read_bytes()
        first = posted(empty, content, id=known)
        again = posted(empty, content, id=known)
        assert (first.status_code, again.status_code) == (202, 200)
        assert again.json() == first.json()
        other = posted(empty, content + b"x", id=known)
        assert (other.status_code, other.json()["type"]) == (409, "id_reused")

    def test_a_workshop_with_records_refuses(self, site: Site, busy: Busy) -> None:
        answer = posted(site, busy.file.read_bytes())
        assert (answer.status_code, answer.json()["type"]) == (409, "not_empty")
        assert "new workshop" in answer.json()["detail"]

    def test_one_waits_at_a_time(self, empty: Site, busy: Busy) -> None:
        posted(empty, busy.file.read_bytes())
        assert posted(empty, busy.file.read_bytes()).status_code == 409

    @pytest.mark.parametrize("content", [b"no archive", b"PK\x05\x06" + bytes(18), b"PK\x03\x04" + bytes(40)])
    def test_what_is_no_archive_is_said_at_once(self, empty: Site, content: bytes) -> None:
        answer = posted(empty, content)
        assert answer.status_code == 422
        [error] = answer.json()["errors"]
        assert error["pointer"] == "/file"
        assert error["code"] in {"not_an_archive", "no_manifest"}
        assert not list((Path(settings.MEDIA_ROOT) / "archives" / str(empty.workshop.pk)).iterdir())

    def test_one_that_is_cut_off_is_said_at_once(self, empty: Site, busy: Busy) -> None:
        answer = posted(empty, busy.file.read_bytes()[:-100])
        assert answer.json()["errors"][0]["code"] == "not_an_archive"

    def test_a_file_is_needed(self, empty: Site) -> None:
        answer = empty.manager.client().post(ARCHIVES, {}, format="multipart")
        assert answer.json()["errors"][0]["pointer"] == "/file"

    @pytest.mark.parametrize("role", ["technician", "auditor", "operator_contact"])
    def test_nobody_but_managers(self, site: Site, busy: Busy, role: str) -> None:
        fields = {"operator": site.operator().pk} if role == "operator_contact" else {}
        client = site.person(role, **fields).client()
        file = SimpleUploadedFile("workshop.zip", b"PK", "application/zip")
        assert client.post(ARCHIVES, {"file": file}, format="multipart").status_code == 403
        assert client.get(ARCHIVES).status_code == 403

    def test_another_workshop_sees_nothing(self, empty: Site, busy: Busy, other_site: Site) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        stranger = other_site.manager.client()
        assert stranger.get(ARCHIVES).json()["results"] == []
        assert stranger.get(f"{ARCHIVES}{made['id']}/").status_code == 404
        assert APIClient().get(ARCHIVES).status_code == 401


class TestEnding:
    """An intake that waits or failed may be ended; nothing of it was taken in, and another may be handed in."""

    def parked(self, site: Site, archive_id: str) -> None:
        with in_workshop(site.workshop.pk):
            items = OutboxItem.objects.filter(kind="reports.archive_take_in", payload={"archive": archive_id})
            items.update(state="parked", error="KeyError: 'bay'", finished_at=timezone.now())

    def end(self, site: Site, archive_id: str, **body: Any) -> Any:
        return site.manager.client().post(f"{ARCHIVES}{archive_id}/cancellation/", body)

    def test_of_one_that_failed_says_why(self, empty: Site, busy: Busy) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        self.parked(empty, made["id"])
        assert empty.manager.client().get(f"{ARCHIVES}{made['id']}/").json()["state"] == "failed"
        answers = [self.end(empty, made["id"]) for _twice in range(2)]

        assert [each.status_code for each in answers] == [200, 200]
        told = answers[0].json()
        assert (told["state"], told["refusal"]["code"]) == ("refused", "failed")
        assert "KeyError: 'bay'" in told["refusal"]["detail"]
        assert posted(empty, busy.file.read_bytes()).status_code == 202
        with in_workshop(empty.workshop.pk):
            assert not OutboxItem.objects.filter(state="parked").exists()
            assert LedgerEntry.objects.filter(kind="archive_cancelled").count() == 1

    def test_of_one_that_waits_leaves_its_work_undone(self, empty: Site, busy: Busy) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        known = str(new_id())
        assert [self.end(empty, made["id"], id=known).status_code for _twice in range(2)] == [200, 200]
        perform_due(empty.workshop.pk, "reports.archive_take_in")

        told = empty.manager.client().get(f"{ARCHIVES}{made['id']}/").json()
        assert (told["state"], told["refusal"]["code"]) == ("refused", "cancelled")
        with in_workshop(empty.workshop.pk):
            assert what_is_there() == []

    def test_what_is_settled_cannot_be_ended(self, empty: Site, busy: Busy) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        perform_due(empty.workshop.pk, "reports.archive_take_in")  # refused: its records are in this installation
        answer = self.end(empty, made["id"])
        assert (answer.status_code, answer.json()["type"]) == (409, "archive_settled")

    def test_is_for_managers_of_the_workshop(self, empty: Site, busy: Busy, other_site: Site) -> None:
        made = posted(empty, busy.file.read_bytes()).json()
        path = f"{ARCHIVES}{made['id']}/cancellation/"
        assert empty.person("technician").client().post(path, {}).status_code == 403
        assert other_site.manager.client().post(path, {}).status_code == 404
        assert APIClient().post(path, {}).status_code == 401


NOWHERE = "01999999-0000-7000-8000-000000000000"


class TestBadRequests:
    @pytest.mark.parametrize(
        ("method", "path", "body", "status"),
        [
            ("post", ARCHIVES, {"file": "text"}, 422),
            ("post", ARCHIVES, {"id": "no id"}, 422),
            ("post", ARCHIVES, {"archive": "x"}, 422),
            ("get", f"{ARCHIVES}no-id/", None, 404),
            ("get", f"{ARCHIVES}{NOWHERE}/", None, 404),
            ("get", f"{ARCHIVES}?state=done", None, 422),
            ("delete", ARCHIVES, None, 405),
            ("get", "/api/v1/exports/no-id/file/", None, 404),
            ("get", f"/api/v1/exports/{NOWHERE}/file/", None, 404),
            ("get", "/api/v1/exports/?page_size=x", None, 422),
            ("patch", f"/api/v1/exports/{NOWHERE}/", {}, 405),
        ],
    )
    def test_are_refused_with_a_reason(self, empty: Site, method: str, path: str, body: Any, status: int) -> None:
        form = {"format": "multipart"} if body is not None and method == "post" else {}
        answer = getattr(empty.manager.client(), method)(path, body, **form)
        assert (answer.status_code, answer["Content-Type"]) == (status, "application/problem+json")
        assert answer.json()["detail"] or answer.json()["errors"]

    def test_an_archive_is_no_json(self, empty: Site) -> None:
        assert empty.manager.client().post(ARCHIVES, {}).status_code == 415

    def test_one_that_says_it_is_too_large_is_not_read(self, empty: Site) -> None:
        answer = empty.manager.client().post(ARCHIVES, b"", CONTENT_LENGTH="300000000", content_type=MULTIPART_CONTENT)
        assert answer.status_code == 413


class TestAllOrNothing:
    def test_a_workshop_that_got_a_record_meanwhile_refuses(self, empty: Site, busy: Busy) -> None:
        intake = handed_in(empty, busy.file)
        empty.operator()
        perform_due(empty.workshop.pk, "reports.archive_take_in")
        with in_workshop(empty.workshop.pk):
            intake.refresh_from_db()
            assert (intake.state, intake.refusal["code"]) == ("refused", "not_empty")
            assert what_is_there() == ["fleet.operator"]

    def test_records_that_are_here_already_are_refused(self, empty: Site, busy: Busy) -> None:
        intake = taken_in(empty, busy.file)
        assert intake.refusal["code"] == "already_here"
        assert nothing_was_taken_in(empty)

    def test_after_a_refusal_another_archive_may_be_handed_in(self, empty: Site, busy: Busy) -> None:
        assert taken_in(empty, busy.file).state == "refused"
        assert handed_in(empty, busy.file).state == "waiting"

    def test_without_the_savepoint_something_would_be_left(
        self, empty: Site, busy: Busy, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Negative control of `nothing_was_taken_in`."""
        no_savepoint = SimpleNamespace(atomic=nullcontext, on_commit=transaction.on_commit)
        monkeypatch.setattr(archives, "transaction", no_savepoint)
        monkeypatch.setattr(archives, "rows_take_in", _one_bay_then_a_fault)
        taken_in(empty, busy.file)
        assert not nothing_was_taken_in(empty)


def _one_bay_then_a_fault(_archive: Archive, workshop_id: Any) -> Any:
    Bay.objects.create(name="half", surveyed_on="2026-01-01", pad_levels_mm={}, created_at="2026-01-01T00:00Z")
    raise ArchiveError("altered", "half")
