"""What anybody learns from the code on a certificate."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test import Client
from django.utils import timezone

from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import Workshop
from fleet.tenancy import in_workshop
from reports.codes import ALPHABET, CODE_LENGTH, grouped, new_code, read_code
from reports.models import Certificate, CertificateFile
from reports.pages.verify import CodesAskedThrottle
from reports.pages.verify_words import VERDICTS, verdict_sentences
from reports.selectors.certificates import verification
from reports.services.certificates import certificate_issue, certificate_prepare, certificate_replace
from tests.factories import Site

from . import jobs
from .rendering import text_of


@pytest.fixture
def certificate(site: Site) -> Certificate:
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)
        return Certificate.objects.select_related("vehicle").get()


@pytest.fixture(autouse=True)
def _nobodys_workshop(db: None) -> None:
    """The test's own transaction names no workshop once the fixtures are through."""


def forget_the_workshop() -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT set_config('app.workshop', '', true)")


def replaced(site: Site) -> Certificate:
    with in_workshop(site.workshop.pk):
        return certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=1, reason="Mistyped")


def test_code_of_an_issued_certificate_tells_what_it_certifies(site: Site, certificate: Certificate) -> None:
    forget_the_workshop()
    found = verification(certificate.code)
    assert found is not None
    assert (found.kind, found.number, found.state) == ("certificate", 1, "issued")
    assert (found.vin, found.workshop, found.verdict) == (
        certificate.vehicle.vin,
        site.workshop.name,
        "within",
    )
    assert found.issued_at == certificate.issued_at
    assert len(found.sha256) == 64
    assert found.replaced_by is None


def test_replaced_certificate_is_told_from_its_replacement_once_that_is_issued(
    site: Site, certificate: Certificate
) -> None:
    new = replaced(site)
    forget_the_workshop()
    waiting = verification(certificate.code)
    assert waiting is not None
    assert (waiting.state, waiting.replaced_by) == ("issued", None)
    assert verification(new.code) is None, "in preparation: nothing is certified yet"
    with in_workshop(site.workshop.pk):
        certificate_issue(actor=site.manager.actor(), certificate_id=new.pk)
    forget_the_workshop()
    old, fresh = verification(certificate.code), verification(new.code)
    assert old is not None
    assert fresh is not None
    assert (old.state, old.replaced_by) == ("replaced", 2)
    assert (fresh.state, fresh.replaced_by) == ("issued", None)


def test_a_certificate_that_was_replaced_twice_names_the_one_that_holds_now(
    site: Site, certificate: Certificate
) -> None:
    new = replaced(site)
    with in_workshop(site.workshop.pk):
        certificate_issue(actor=site.manager.actor(), certificate_id=new.pk)
        last = certificate_replace(actor=site.manager.actor(), record_id=new_id(), number=2, reason="Again")
    forget_the_workshop()
    waiting = verification(certificate.code)
    assert waiting is not None
    assert waiting.replaced_by == 2, "number 3 is in preparation"
    with in_workshop(site.workshop.pk):
        certificate_issue(actor=site.manager.actor(), certificate_id=last.pk)
    forget_the_workshop()
    told = [verification(code) for code in (certificate.code, new.code, last.code)]
    assert [each.replaced_by if each else 0 for each in told] == [3, 3, None]


def test_code_may_be_typed_in_groups_and_with_lookalikes(certificate: Certificate) -> None:
    typed = grouped(certificate.code).lower().replace("0", "o").replace("1", "l")
    assert verification(typed) == verification(certificate.code) is not None


@pytest.mark.parametrize("code", ["", "0", "0" * CODE_LENGTH, "U" * CODE_LENGTH, "%", "' OR 1=1 --", "🚗" * 16])
def test_code_that_was_never_issued_tells_nothing(certificate: Certificate, code: str) -> None:
    assert verification(code) is None


def test_function_shows_no_more_of_another_workshop_than_the_paper_does(certificate: Certificate) -> None:
    forget_the_workshop()
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM reports_certificate")
        assert cursor.fetchone() == (0,), "row-level security holds but for the function"
        cursor.execute("SELECT * FROM levelbook_verification(%s)", [certificate.code])
        assert cursor.description is not None
        columns = {column.name for column in cursor.description}
    assert columns == {
        "kind",
        "number",
        "state",
        "issued_at",
        "workshop",
        "vin",
        "verdict",
        "not_within",
        "by_concession",
        "sha256",
        "replaced_by",
    }


def test_exactly_five_functions_reach_beyond_the_workshop_and_fix_their_search_path(db: None) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            """SELECT p.proname, p.proconfig, pg_get_userbyid(p.proowner),
                      has_function_privilege('public', p.oid, 'EXECUTE')
               FROM pg_proc p JOIN pg_namespace n ON n.oid = p.pronamespace
               WHERE p.prosecdef AND n.nspname NOT IN ('pg_catalog', 'information_schema') ORDER BY 1"""
        )
        found = cursor.fetchall()
    assert [row[0] for row in found] == [
        "levelbook_clear_refused_sign_ins",
        "levelbook_credential",
        "levelbook_due_work",
        "levelbook_memberships",
        "levelbook_verification",
    ]
    assert {tuple(row[1:]) for row in map(_hashable, found)} == {
        (("search_path=pg_catalog, pg_temp",), "levelbook_gate", False)
    }


def _hashable(row: tuple[Any, ...]) -> tuple[Any, ...]:
    return (row[0], tuple(row[1]), *row[2:])


def test_codes_are_long_random_and_readable() -> None:
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert {len(code) for code in codes} == {CODE_LENGTH}
    assert set("".join(codes)) == set(ALPHABET)
    assert all(read_code(grouped(code)) == code for code in codes)


class TestPage:
    def test_says_valid_replaced_or_unknown(self, site: Site, certificate: Certificate) -> None:
        client = Client()
        page = client.get(f"/verify/{certificate.code}")
        assert page.status_code == 200
        assert "Valid." in page.content.decode()
        assert certificate.vehicle.vin in page.content.decode()
        new = replaced(site)
        with in_workshop(site.workshop.pk):
            certificate_issue(actor=site.manager.actor(), certificate_id=new.pk)
        forget_the_workshop()
        assert "no. 2 has taken its place" in client.get(f"/verify/{certificate.code}").content.decode()
        unknown = client.get("/verify/0000-0000-0000-0000")
        assert unknown.status_code == 404
        assert "Unknown." in unknown.content.decode()

    def test_gives_json_where_accept_asks_for_it(self, certificate: Certificate) -> None:
        answer = Client().get(f"/verify/{grouped(certificate.code)}", HTTP_ACCEPT="application/json")
        assert answer.json()["state"] == "valid"
        assert answer.json()["vin"] == certificate.vehicle.vin
        unknown = Client().get("/verify/nothing", HTTP_ACCEPT="application/json")
        assert (unknown.status_code, unknown.json()) == (404, {"state": "unknown"})

    def test_is_the_same_with_a_slash_at_the_end(self, certificate: Certificate) -> None:
        with_slash = Client().get(f"/verify/{certificate.code}/")
        assert with_slash.content == Client().get(f"/verify/{certificate.code}").content

    def test_is_only_read(self, certificate: Certificate) -> None:
        assert Client().post(f"/verify/{certificate.code}").status_code == 405

    def test_shows_what_was_typed_as_text(self, db: None) -> None:
        page = Client().get("/verify/%3Cscript%3E")
        assert "<script>" not in page.content.decode()


class TestField:
    """The address without a code, as somebody types it from a paper without scanning."""

    def test_asks_for_the_code_in_a_plain_form(self, db: None) -> None:
        page = Client().get("/verify/")
        text = page.content.decode()
        assert page.status_code == 200
        assert '<form action="/verify/" method="get">' in text
        assert 'name="code"' in text
        assert re.findall(r"<script(?! type=.module. src=)", text) == []
        assert "Unknown." not in text

    def test_answers_for_a_typed_code_as_its_own_address_does(self, certificate: Certificate) -> None:
        typed = f" {grouped(certificate.code).lower()} "
        page = Client().get("/verify/", {"code": typed}).content.decode()
        assert page == Client().get(f"/verify/{certificate.code}").content.decode()
        assert "Valid." in page

    def test_the_address_within_the_qr_code_may_be_pasted(self, certificate: Certificate) -> None:
        address = f"https://levelbook.alderquay.example/verify/{certificate.code}/"
        assert "Valid." in Client().get("/verify/", {"code": address}).content.decode()

    def test_what_is_no_code_is_not_held_against_the_paper(self, db: None) -> None:
        page = Client().get("/verify/", {"code": "No. 18"}).content.decode()
        assert "“No. 18” is no code of a certificate" in page
        assert "do not rely on the paper" not in page
        assert "do not rely on the paper" in Client().get("/verify/", {"code": "0" * 16}).content.decode()

    @pytest.mark.parametrize("typed", ["https://[", "a/b", "../admin", "0" * 16, "x" * 5000, "<b>"])
    def test_whatever_is_typed_is_at_worst_unknown_and_shown_as_text(self, db: None, typed: str) -> None:
        page = Client().get("/verify/", {"code": typed})
        assert page.status_code == 404
        assert "Unknown." in page.content.decode()
        assert "<b>" not in page.content.decode()
        assert "x" * 41 not in page.content.decode()

    def test_gives_json_where_accept_asks_for_it(self, certificate: Certificate) -> None:
        answer = Client().get("/verify/", {"code": certificate.code}, HTTP_ACCEPT="application/json")
        assert answer.json()["state"] == "valid"


def test_what_cannot_be_adjusted_and_is_not_within_is_never_told_to_be_within(site: Site) -> None:
    """Steel springs at the front, out of tolerance there: the job may be signed all the same."""
    low_front = {"target_mm": 486, "tolerance_mm": 6}
    model = site.specification(front=low_front, controlled_corners=["RL", "RR"]).vehicle_model
    bench = jobs.Bench.at(site, vehicle=site.vehicle(vehicle_model=model), counts={"RL": 128, "RR": 128})
    bench.receive()
    bench.check_readiness()
    bench.measure((Decimal(470), Decimal(470), Decimal(504), Decimal(504)))
    bench.sign_off()
    with in_workshop(site.workshop.pk):
        certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)
        code = Certificate.objects.get().code
    forget_the_workshop()
    told = Client().get(f"/verify/{code}", HTTP_ACCEPT="application/json").json()
    assert (told["verdict"], told["not_within"], told["by_concession"]) == ("within", ["FL", "FR"], False)
    page = Client().get(f"/verify/{code}").content.decode()
    assert "Every corner within tolerance" not in page
    assert (
        "wherever it can be adjusted. Not within tolerance and not adjustable there: Front left, Front right." in page
    )


def test_targets_of_a_concession_are_told_with_the_verdict(certificate: Certificate) -> None:
    found = verification(certificate.code)
    assert found is not None
    assert (found.not_within, found.by_concession) == ([], False)
    assert "concession" not in verdict_sentences(found)
    assert "set by concession" in verdict_sentences(replace(found, by_concession=True))
    side = verdict_sentences(replace(found, not_within=["rear"]))
    assert side.endswith("not adjustable there: difference between left and right, rear.")


def test_who_asks_too_often_is_told_how_long_to_wait(certificate: Certificate, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(CodesAskedThrottle, "allow_request", lambda *_asked: False)
    monkeypatch.setattr(CodesAskedThrottle, "wait", lambda _self: 41.3)
    answer = Client().get(f"/verify/{certificate.code}")
    assert (answer.status_code, answer.headers["Retry-After"]) == (429, "42")
    assert "Wait 42 seconds, then try again." in answer.content.decode()
    assert "Retry-After" not in answer.content.decode()


def test_page_states_verdict_in_words(certificate: Certificate) -> None:
    page = Client().get(f"/verify/{certificate.code}").content.decode()
    assert "Every corner within tolerance, the measurement uncertainty taken into account." in page
    assert grouped(certificate.code) in page


@pytest.mark.parametrize(("zone", "name"), [("UTC", "UTC"), ("Asia/Kathmandu", "UTC+05:45")])
def test_page_and_json_give_the_time_as_the_paper_does_in_the_workshops_own_zone(
    site: Site, zone: str, name: str
) -> None:
    with in_workshop(site.workshop.pk):
        assert Workshop.objects.filter(pk=site.workshop.pk).update(time_zone=zone) == 1
    bench = jobs.left_alone(site)
    with in_workshop(site.workshop.pk):
        certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)
        certificate = Certificate.objects.get()
        paper = text_of(bytes(CertificateFile.objects.get().pdf))
    assert certificate.issued_at is not None
    forget_the_workshop()
    local = certificate.issued_at.astimezone(ZoneInfo(zone))
    written = f"{local.day} {local:%b %Y}, {local:%H:%M}"
    page = Client().get(f"/verify/{certificate.code}").content.decode()
    assert f'<time datetime="{local.isoformat()}">{written} {name}</time>' in page
    assert f"times in {name} " in paper
    assert f"issued {written.partition(',')[0]} " in paper
    told = Client().get(f"/verify/{certificate.code}", HTTP_ACCEPT="application/json").json()["issued_at"]
    assert abs(datetime.fromisoformat(told) - certificate.issued_at) < timedelta(milliseconds=1)
    assert datetime.fromisoformat(told).utcoffset() == local.utcoffset()


@pytest.mark.parametrize("verdict", ["within", "outside", "undecided", None])
def test_every_verdict_has_words_of_its_own(verdict: str | None) -> None:
    assert len(VERDICTS) == len({str(text) for text in VERDICTS.values()})
    assert str(VERDICTS[verdict])
