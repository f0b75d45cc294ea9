"""The pages of exports and of the archive with which an empty workshop begins, as forms without any script."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client

from fleet.models import OutboxItem
from fleet.tenancy import in_workshop
from reports.models import ArchiveIntake, Export
from tests.factories import Site, make_site
from tests.fleet.pages.forms import form_of
from tests.fleet.signin.browsers import browser_of
from tests.reports.workshops import Busy, empty_site, perform_due

Browsers = Callable[..., Client]


@pytest.fixture
def empty(db: None) -> Site:
    return empty_site()


@pytest.fixture
def founder(empty: Site) -> Client:
    return browser_of(empty.manager)


def sent(browser: Client, **values: object) -> object:
    form = form_of(browser.get("/archives/"), "")
    return browser.post("/archives/", {**form.filled(), **values})


def said(browser: Client, path: str) -> str:
    return re.sub(r"\s+", " ", browser.get(path).content.decode())


class TestExports:
    def test_one_is_asked_for_made_and_fetched(self, site: Site, manager: Client) -> None:
        assert "Nothing was exported yet" in said(manager, "/exports/")
        form = form_of(manager.get("/exports/"), "/exports/")
        answers = [manager.post("/exports/", form.filled()) for _ in range(2)]
        assert [each.status_code for each in answers] == [302, 302], "sent twice it is one export"
        waiting = said(manager, "/exports/")
        assert "queued" in waiting
        assert "data-unfinished" in waiting
        perform_due(site.workshop.pk, "reports.export_make")
        page = said(manager, "/exports/")
        with in_workshop(site.workshop.pk):
            export = Export.objects.get()
        assert "done" in page
        assert "data-unfinished" not in page
        assert f"<li>Ledger entries: {export.counts['ledger_entries']}</li>" in page
        assert export.sha256 in page
        answer = manager.get(f"/exports/{export.pk}/file/")
        content = b"".join(answer.streaming_content)  # type: ignore[attr-defined]
        assert hashlib.sha256(content).hexdigest() == export.sha256
        assert "attachment" in answer["Content-Disposition"]

    def test_the_file_is_for_managers_of_the_workshop(self, site: Site, manager: Client, another: Browsers) -> None:
        manager.post("/exports/", form_of(manager.get("/exports/"), "/exports/").filled())
        perform_due(site.workshop.pk, "reports.export_make")
        with in_workshop(site.workshop.pk):
            path = f"/exports/{Export.objects.get().pk}/file/"
        assert another("technician").get(path).status_code == 403
        assert browser_of(make_site().manager).get(path).status_code == 404
        assert Client().get(path).status_code == 302

    def test_a_second_one_waits_for_the_first(self, manager: Client) -> None:
        for status in (302, 409):
            form = form_of(manager.get("/exports/"), "/exports/")
            answer = manager.post("/exports/", form.filled())
            assert answer.status_code == status
        assert "is being made already" in answer.content.decode()

    def test_archives_are_offered_where_one_can_be_taken_in(self, site: Site, manager: Client, founder: Client) -> None:
        site.operator()
        assert 'href="/archives/"' in said(founder, "/exports/")
        page = said(manager, "/exports/")
        assert 'href="/archives/"' not in page
        assert "An empty workshop of another installation takes such a file in" in page


class TestAnEmptyWorkshop:
    def test_is_told_of_it_on_its_first_page(self, founder: Client) -> None:
        assert 'href="/archives/"' in said(founder, "/first-steps/")

    def test_one_with_records_is_not(self, site: Site, manager: Client) -> None:
        site.operator()
        assert 'href="/archives/"' not in said(manager, "/first-steps/")
        assert "<form" not in said(manager, "/archives/").partition("<main")[2].partition("</main")[0]

    def test_hands_one_in_and_sees_what_came_of_it(self, empty: Site, founder: Client, busy: Busy) -> None:
        file = SimpleUploadedFile("workshop.zip", busy.file.read_bytes())
        assert sent(founder, file=file).status_code == 302  # type: ignore[attr-defined]
        assert "queued" in said(founder, "/archives/")
        perform_due(empty.workshop.pk, "reports.archive_take_in")
        page = said(founder, "/archives/")
        assert "not accepted" in page, "its records are in this installation"
        assert "take the archive in with another one" in page
        assert busy.site.workshop.name in page

    def test_may_end_one_that_failed(self, empty: Site, founder: Client, busy: Busy) -> None:
        sent(founder, file=SimpleUploadedFile("workshop.zip", busy.file.read_bytes()))
        with in_workshop(empty.workshop.pk):
            OutboxItem.objects.filter(kind="reports.archive_take_in").update(
                state="parked", error="KeyError: 'bay'", finished_at="2026-11-26T12:00Z"
            )
            path = f"/archives/{ArchiveIntake.objects.get().pk}/cancellation/"
        assert "failed in every attempt" in said(founder, "/archives/")
        for _twice in range(2):
            assert founder.post(path).status_code == 302
        page = said(founder, "/archives/")
        assert "was ended by hand" in page
        assert "Take it in" in page, "another one may be handed in"

    def test_sees_it_taken_in(self, empty: Site, founder: Client, busy: Busy) -> None:
        file = SimpleUploadedFile("workshop.zip", busy.file.read_bytes())
        sent(founder, file=file)
        with in_workshop(empty.workshop.pk):
            ArchiveIntake.objects.update(state="done", finished_at="2026-11-26T12:00Z", evidence_sha256="a" * 64)
        page = said(founder, "/archives/")
        assert "Invite the people" in page
        assert "FORMER_CHECKPOINT_KEYS" in page
        assert "a" * 64 in page

    def test_is_told_what_is_wrong_at_the_file(self, founder: Client) -> None:
        answer = sent(founder, file=SimpleUploadedFile("workshop.zip", b"no archive"))
        assert answer.status_code == 422  # type: ignore[attr-defined]
        assert "no ZIP file" in answer.content.decode()  # type: ignore[attr-defined]
        missing = sent(founder)
        assert "Choose the file" in missing.content.decode()  # type: ignore[attr-defined]
