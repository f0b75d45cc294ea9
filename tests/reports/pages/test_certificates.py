"""Certificates: listed, found, opened, and replaced with a reason, once."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from typing import Any

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from pypdf import PdfReader

from deploy.mail import mail_server
from fleet.models import Operator, Workshop
from fleet.tenancy import in_workshop
from reports.models import Certificate, CertificateFile
from reports.services.certificates import certificate_issue
from tests.factories import Site
from tests.fleet.pages.forms import form_of
from tests.reports import jobs

from .conftest import AtWork, certified

QUERIES = 14


def numbers(browser: Client, **query: Any) -> list[int]:
    """Those of the list, in its order."""
    answer = browser.get("/certificates/", query)
    assert answer.status_code == 200
    return [row["certificate"].number for row in answer.context["rows"]]


def replace(browser: Client, **typed: Any) -> Any:
    return browser.post("/certificates/1/", form_of(browser.get("/certificates/1/")).filled(**typed))


def all_of(site: Site) -> list[tuple[int, str, str]]:
    with in_workshop(site.workshop.pk):
        return list(Certificate.objects.order_by("number").values_list("number", "state", "reason"))


def test_the_list_is_searched_and_filtered(manager: Client, at_work: AtWork, site: Site) -> None:
    report = jobs.ended(site)
    certified(site, report)
    assert numbers(manager) == [2, 1]
    assert numbers(manager, kind="findings_report") == [2]
    assert numbers(manager, state="replaced") == []
    assert numbers(manager, q="1") == [number for number in (2, 1) if number == 1 or "1" in vin_of(site, number)]
    assert numbers(manager, q=report.vehicle.vin[-6:]) == [2]
    assert numbers(manager, q=at_work.done.vehicle.registration) == [1]
    assert numbers(manager, q="9" * 30) == []
    assert manager.get("/certificates/", {"kind": "poem"}).status_code == 422


def vin_of(site: Site, number: int) -> str:
    with in_workshop(site.workshop.pk):
        vehicle = Certificate.objects.select_related("vehicle").get(number=number).vehicle
        return f"{vehicle.vin} {vehicle.registration}"


def test_the_file_is_the_one_that_was_issued(manager: Client, at_work: AtWork, site: Site) -> None:
    answer = manager.get("/certificates/1/pdf/")
    assert answer["Content-Type"] == "application/pdf"
    with in_workshop(site.workshop.pk):
        assert answer.content == bytes(CertificateFile.objects.get().pdf)


@pytest.mark.parametrize(("language", "told"), [("en", "It was sent to nobody"), ("de", "An niemanden verschickt")])
def test_what_was_sent_to_nobody_is_to_be_handed_over(
    manager: Client, at_work: AtWork, site: Site, language: str, told: str
) -> None:
    """Also once the operator has an address: this one was not sent to it."""
    operator = site.operator(email="")
    certified(site, jobs.left_alone(site, vehicle=site.vehicle(operator=operator)))
    with in_workshop(site.workshop.pk):
        Operator.objects.update(email="late@example.com")
    in_this = {"Accept-Language": language}
    assert told in manager.get("/certificates/2/", headers=in_this).content.decode()
    assert told not in manager.get("/certificates/1/", headers=in_this).content.decode()


def test_where_no_mail_is_sent_it_is_to_be_handed_over(manager: Client, at_work: AtWork, settings: Any) -> None:
    assert "Send it by e-mail once more" in manager.get("/certificates/1/").content.decode()
    settings.EMAIL_BACKEND = mail_server(None).backend
    page = manager.get("/certificates/1/").content.decode()
    assert "Send it by e-mail" not in page
    assert "Print the PDF and hand it over." in page


def test_a_demo_workshop_offers_no_e_mail_for_it_sends_none(manager: Client, at_work: AtWork, site: Site) -> None:
    with in_workshop(site.workshop.pk):
        Workshop.objects.update(is_demo=True)
    page = manager.get("/certificates/1/").content.decode()
    assert "Send it by e-mail" not in page
    assert "This is a demo workshop" in page
    assert "EMAIL_URL" not in page


def test_a_page_shows_code_hash_and_what_it_is_about(manager: Client, at_work: AtWork, site: Site) -> None:
    page = manager.get("/certificates/1/").content.decode()
    with in_workshop(site.workshop.pk):
        certificate = Certificate.objects.get()
        assert CertificateFile.objects.get().sha256 in page
    assert f'href="/verify/{certificate.code}"' in page
    assert f'href="/jobs/{at_work.done.job_id}/"' in page


def test_codes_that_lead_nowhere_on_another_device_are_warned_of_to_whoever_can_mend_it(
    manager: Client, another: Callable[..., Client], at_work: AtWork, settings: Any
) -> None:
    """Of the list, where the next ones would; of one document, where its own does, for good."""
    warning = "Other devices cannot open this address"
    assert warning in manager.get("/certificates/").content.decode()
    assert warning not in another("auditor").get("/certificates/").content.decode()
    settings.PUBLIC_URL = "https://bench.local"
    assert warning not in manager.get("/certificates/").content.decode()
    page = manager.get("/certificates/1/").content.decode()
    assert warning in page
    assert "http://127.0.0.1:8000/verify/" in page


class TestReplacement:
    def test_is_asked_for_with_a_reason_and_names_the_old_one(
        self, manager: Client, at_work: AtWork, site: Site
    ) -> None:
        answer = replace(manager, reason="The operator's name was wrong.")
        assert (answer.status_code, answer["Location"]) == (302, "/certificates/2/")
        assert all_of(site) == [(1, "issued", ""), (2, "preparing", "The operator's name was wrong.")]
        page = manager.get("/certificates/2/").content.decode()
        assert "in preparation" in page
        assert "The operator&#x27;s name was wrong." in page
        assert manager.get("/certificates/2/pdf/").status_code == 409

    def test_its_reason_is_kept_where_the_session_has_ended(self, manager: Client, at_work: AtWork, site: Site) -> None:
        manager.get("/choose-workshop/")
        sent = form_of(manager.get("/certificates/1/")).filled(reason="Mistyped.")
        del manager.cookies["sessionid"]
        led_to = manager.post("/certificates/1/", sent)
        who = {"login": site.manager.email, "password": site.manager.password}
        page = manager.post(led_to["Location"], who, follow=True)
        assert form_of(page).values["reason"] == ["Mistyped."]

    def test_is_shown_on_both_once_it_is_issued(self, manager: Client, at_work: AtWork, site: Site) -> None:
        replace(manager, reason="Mistyped.")
        with in_workshop(site.workshop.pk):
            new = Certificate.objects.get(number=2)
            certificate_issue(actor=site.manager.actor(), certificate_id=new.pk)
        old = manager.get("/certificates/1/").content.decode()
        assert "Number 2 takes its place" in old
        assert 'name="reason"' not in old
        assert "by no. 2" in manager.get("/certificates/").content.decode()

    def test_sent_twice_makes_one(self, manager: Client, at_work: AtWork, site: Site) -> None:
        sent = form_of(manager.get("/certificates/1/")).filled(reason="Mistyped.")
        assert [manager.post("/certificates/1/", sent)["Location"] for _time in range(2)] == ["/certificates/2/"] * 2
        assert len(all_of(site)) == 2

    def test_from_a_page_that_is_out_of_date_is_refused_and_keeps_what_was_typed(
        self, manager: Client, at_work: AtWork, site: Site
    ) -> None:
        stale = form_of(manager.get("/certificates/1/")).filled(reason="Also mistyped.")
        replace(manager, reason="Mistyped.")
        answer = manager.post("/certificates/1/", stale)
        assert answer.status_code == 409
        assert "Certificate 1 is replaced by 2. Replace that one instead." in answer.content.decode()
        assert len(all_of(site)) == 2

    def test_without_a_reason_comes_back(self, manager: Client, at_work: AtWork, site: Site) -> None:
        answer = replace(manager, reason="  ")
        assert answer.status_code == 422
        assert "data-error-summary" in answer.content.decode()
        assert len(all_of(site)) == 1

    @pytest.mark.parametrize("role", ["technician", "auditor"])
    def test_is_for_managers(self, another: Callable[..., Client], at_work: AtWork, role: str) -> None:
        browser = another(role)
        assert 'name="reason"' not in browser.get("/certificates/1/").content.decode()
        assert browser.post("/certificates/1/", {"reason": "x"}).status_code == 403


def test_the_list_costs_the_same_however_long_it_is_and_reads_no_file(
    manager: Client, at_work: AtWork, site: Site
) -> None:
    def queries() -> list[str]:
        with CaptureQueriesContext(connection) as captured:
            numbers(manager)
        return [query["sql"] for query in captured]

    queries()  # the session notes its use
    few = queries()
    certified(site, jobs.ended(site))
    many = queries()
    assert len(many) == len(few) <= QUERIES
    assert not any('"pdf"' in sql for sql in many)


class TestWhatItSays:
    def test_the_list_has_the_headline_of_page_one_and_the_verdict(
        self, manager: Client, at_work: AtWork, site: Site
    ) -> None:
        report = jobs.ended(site)
        certified(site, report)
        rows = {row["certificate"].number: row["said"] for row in manager.get("/certificates/").context["rows"]}
        with in_workshop(site.workshop.pk):
            files = CertificateFile.objects.select_related("certificate")
            on_paper = {each.certificate.number: page_one_of(bytes(each.pdf)) for each in files}
        for number, word in ((1, "within"), (2, "outside")):
            assert rows[number].conclusion.headline in on_paper[number]
            assert rows[number].verdict == word
        assert rows[1].conclusion.headline != rows[2].conclusion.headline
        shown = manager.get("/certificates/").content.decode()
        for said in rows.values():
            assert f"<p>{said.conclusion.headline}</p>" in shown

    def test_the_page_says_it_with_its_sentences_in_the_readers_language(
        self, manager: Client, at_work: AtWork
    ) -> None:
        page = manager.get("/certificates/1/").content.decode()
        assert "Adjusted: all four corners within tolerance" in page
        assert "Found outside tolerance: Front left." in page
        german = manager.get("/certificates/1/", headers={"Accept-Language": "de"}).content.decode()
        assert "Außerhalb der Toleranz vorgefunden" in german

    def test_one_in_preparation_says_nothing_yet(self, manager: Client, at_work: AtWork) -> None:
        replace(manager, reason="Mistyped.")
        rows = {row["certificate"].number: row["said"] for row in manager.get("/certificates/").context["rows"]}
        assert rows[2] is None
        assert manager.get("/certificates/2/").status_code == 200


def page_one_of(pdf: bytes) -> str:
    return " ".join(PdfReader(BytesIO(pdf)).pages[0].extract_text().split())
