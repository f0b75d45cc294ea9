"""Certificates and parked work over HTTP: who may, what is missing, repeated, in preparation."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from copy import deepcopy
from datetime import timedelta
from typing import Any

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from pytest_django import DjangoDbBlocker
from rest_framework.test import APIClient

from fleet import outbox
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import OutboxItem, Tenure, Vehicle
from fleet.tenancy import in_workshop
from reports.models import Certificate
from reports.services.certificates import certificate_prepare
from tests.factories import Person, Site, make_site

from . import jobs

API = "/api/v1"
Perform = Callable[[Site], list[str]]


@pytest.fixture(autouse=True)
def _no_throttle_history() -> None:
    cache.clear()


@pytest.fixture(scope="module")
def standing_bench(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[jobs.Bench]:
    """A vehicle with its certificate no. 1 that stays; what a test does to it is rolled back."""
    with django_db_blocker.unblock(), pytest.MonkeyPatch.context() as patch:
        patch.setattr(outbox, "hint", lambda _workshop, _item: None)
        bench = certified(make_site())
    yield bench
    with django_db_blocker.unblock(), in_workshop(bench.site.workshop.pk):
        OutboxItem.objects.update(state="done", finished_at=timezone.now())


@pytest.fixture
def bench(standing_bench: jobs.Bench, db: None, no_hints: None) -> jobs.Bench:
    return deepcopy(standing_bench)


@pytest.fixture
def site(bench: jobs.Bench) -> Site:
    return bench.site


def certified(site: Site, **fields: Any) -> jobs.Bench:
    bench = jobs.left_alone(site, **fields)
    with in_workshop(site.workshop.pk):
        certificate_prepare(actor=Actor.system(site.workshop.pk, timezone.now()), job_id=bench.job_id)
    return bench


def contact_of(site: Site, vehicle: Vehicle) -> Person:
    return site.person("operator_contact", operator=vehicle.operator_id)


def replace(client: APIClient, number: int = 1, **body: Any) -> Any:
    return client.post(f"{API}/certificates/{number}/replacement/", {"reason": "Mistyped", **body})


def test_certificate_shows_the_documented_fields(site: Site, bench: jobs.Bench) -> None:
    answer = site.technician.client().get(f"{API}/certificates/1/")
    assert answer.status_code == 200
    with in_workshop(site.workshop.pk):
        certificate = Certificate.objects.get()
        sha256 = certificate.file.sha256
        assert certificate.issued_at is not None
        issued_at = certificate.issued_at.isoformat().replace("+00:00", "Z")
    assert answer.json() == {
        "id": str(certificate.pk),
        "number": 1,
        "kind": "certificate",
        "code": certificate.code,
        "job": str(bench.job_id),
        "vehicle": bench.vehicle.vin,
        "issued_at": issued_at,
        "recipients": 1,
        "state": "issued",
        "replaces": None,
        "replaced_by": None,
        "reason": "",
        "sha256": sha256,
    }


def test_pdf_is_the_bytes_whose_hash_is_shown(site: Site, bench: jobs.Bench) -> None:
    client = site.technician.client()
    for accept in ("application/pdf", "*/*"):
        pdf = client.get(f"{API}/certificates/1/pdf/", HTTP_ACCEPT=accept)
        assert pdf.status_code == 200
        assert pdf["Content-Type"] == "application/pdf"
        assert pdf["Content-Disposition"] == 'inline; filename="certificate-1.pdf"'
        assert pdf.content.startswith(b"%PDF-")
        shown = client.get(f"{API}/certificates/1/").json()["sha256"]
        assert hashlib.sha256(pdf.content).hexdigest() == shown


def test_data_is_what_the_document_says(site: Site, bench: jobs.Bench) -> None:
    data = site.technician.client().get(f"{API}/certificates/1/data/").json()
    assert data["vehicle"]["vin"] == bench.vehicle.vin
    assert data["as_left"]["corners"]["FL"]["mean_mm"] == 486.5


def test_certificate_in_preparation_says_when_to_ask_again(site: Site, bench: jobs.Bench) -> None:
    client = site.manager.client()
    assert replace(client).status_code == 201
    for part in ("pdf", "data"):
        answer = client.get(f"{API}/certificates/2/{part}/")
        assert answer.status_code == 409
        assert answer["Content-Type"] == "application/problem+json"
        assert answer.json()["type"] == "certificate_preparing"
        assert int(answer["Retry-After"]) > 0
    assert client.get(f"{API}/certificates/2/").json()["sha256"] is None


def test_replacement_names_the_old_and_the_old_names_it(site: Site, bench: jobs.Bench, perform_all: Perform) -> None:
    client = site.manager.client()
    made = replace(client, reason="VIN corrected")
    assert made.status_code == 201
    assert (made.json()["number"], made.json()["state"], made.json()["replaces"]) == (2, "preparing", 1)
    perform_all(site)
    old, new = (client.get(f"{API}/certificates/{number}/").json() for number in (1, 2))
    assert (old["state"], old["replaced_by"]) == ("replaced", 2)
    assert (new["state"], new["replaces"], new["reason"]) == ("issued", 1, "VIN corrected")


def test_replacement_repeated_with_its_id_is_answered_as_before(site: Site, bench: jobs.Bench) -> None:
    client, record_id = site.manager.client(), str(new_id())
    first = replace(client, id=record_id)
    again = replace(client, id=record_id)
    other = replace(client, id=record_id, reason="Another one")
    assert [each.status_code for each in (first, again, other)] == [201, 200, 409]
    assert first.json() == again.json()
    assert first.json()["id"] == record_id
    assert other.json()["type"] == "id_reused"


@pytest.mark.parametrize(
    ("body", "code"),
    [({"reason": ""}, "blank"), ({"reason": None}, "null"), ({"reason": 7}, "not_text"), ({"id": "7"}, "not_a_uuid")],
)
def test_replacement_with_a_bad_body_names_what_is_wrong(
    site: Site, bench: jobs.Bench, body: dict[str, Any], code: str
) -> None:
    answer = replace(site.manager.client(), **body)
    assert answer.status_code == 422
    assert [error["code"] for error in answer.json()["errors"]] == [code]
    with in_workshop(site.workshop.pk):
        assert Certificate.objects.count() == 1


def test_certificate_that_is_replaced_already_cannot_be_replaced(site: Site, bench: jobs.Bench) -> None:
    client = site.manager.client()
    replace(client)
    answer = replace(client)
    assert answer.status_code == 409
    assert answer.json()["type"] == "certificate_replaced"
    assert "2" in answer.json()["detail"]


CALLS = [
    ("get", "certificates/"),
    ("get", "certificates/1/"),
    ("get", "certificates/1/pdf/"),
    ("get", "certificates/1/data/"),
    ("post", "certificates/1/replacement/"),
    ("get", "parked-work/"),
]
ROLES = ["manager", "technician", "auditor", "contact", "integrator", "integrator without scope"]
READS = dict.fromkeys(ROLES, 200) | {"integrator without scope": 403}
ANSWERS = {
    "certificates/": READS,
    "certificates/1/": READS,
    "certificates/1/pdf/": READS,
    "certificates/1/data/": READS,
    # Who may read nothing here is not told that there is something to replace.
    "certificates/1/replacement/": dict.fromkeys(ROLES, 403) | {"manager": 201, "integrator without scope": 404},
    "parked-work/": dict.fromkeys(ROLES, 403) | {"manager": 200},
}


def person(site: Site, vehicle: Vehicle, role: str) -> Person:
    match role:
        case "manager":
            return site.manager
        case "technician":
            return site.technician
        case "contact":
            return contact_of(site, vehicle)
        case "integrator":
            return site.person("integrator", scopes=["read"])
        case "integrator without scope":
            return site.person("integrator", scopes=["facts:write"])
    return site.person(role)


def call(client: APIClient, method: str, path: str) -> Any:
    return client.get(f"{API}/{path}") if method == "get" else client.post(f"{API}/{path}", {"reason": "Mistyped"})


@pytest.mark.parametrize("role", ROLES)
def test_who_may_do_what(site: Site, bench: jobs.Bench, role: str) -> None:
    client = person(site, bench.vehicle, role).client()
    answers = {path: call(client, method, path).status_code for method, path in CALLS}
    assert answers == {path: expected[role] for path, expected in ANSWERS.items()}


@pytest.mark.parametrize(("method", "path"), CALLS)
def test_nobody_is_let_in_without_a_token(site: Site, bench: jobs.Bench, method: str, path: str) -> None:
    assert getattr(APIClient(), method)(f"{API}/{path}").status_code == 401


@pytest.mark.parametrize(("method", "path"), [call for call in CALLS if "1" in call[1]])
def test_another_workshops_certificate_does_not_exist(site: Site, bench: jobs.Bench, method: str, path: str) -> None:
    client = make_site().manager.client()
    assert call(client, method, path).status_code == 404
    assert client.get(f"{API}/certificates/").json()["results"] == []


@pytest.mark.parametrize("number", ["2", "0", "999999999", "99999999999999999999", "x", "-1", "1.0"])
def test_number_that_nobody_has_does_not_exist(site: Site, bench: jobs.Bench, number: str) -> None:
    client = site.manager.client()
    for part in ("", "pdf/", "data/"):
        assert client.get(f"{API}/certificates/{number}/{part}").status_code == 404
    assert client.post(f"{API}/certificates/{number}/replacement/", {"reason": "x"}).status_code == 404


class TestOperatorContact:
    def test_sees_their_vehicles_certificates_and_no_others(self, site: Site, bench: jobs.Bench) -> None:
        other = certified(site)
        client = contact_of(site, other.vehicle).client()
        assert [each["number"] for each in client.get(f"{API}/certificates/").json()["results"]] == [2]
        assert client.get(f"{API}/certificates/2/pdf/").status_code == 200
        for part in ("", "pdf/", "data/"):
            assert client.get(f"{API}/certificates/1/{part}").status_code == 404
        assert replace(client, 1).status_code == 404

    def test_keeps_those_of_their_time_and_gets_none_of_the_next_operators(self, site: Site, bench: jobs.Bench) -> None:
        before, after = contact_of(site, bench.vehicle), site.operator()
        sold_at = bench.now + timedelta(hours=1)
        with in_workshop(site.workshop.pk):
            Tenure.objects.filter(vehicle=bench.vehicle).update(ended_at=sold_at)
            Tenure.objects.create(vehicle=bench.vehicle, operator=after, began_at=sold_at)
            Vehicle.objects.filter(pk=bench.vehicle.pk).update(operator=after)
        later = jobs.Bench.at(site, vehicle=bench.vehicle)
        later.now = sold_at + timedelta(hours=1)
        later.receive()
        later.check_readiness()
        later.measure(jobs.WITHIN)
        later.sign_off()
        with in_workshop(site.workshop.pk):
            certificate_prepare(actor=later.actor(), job_id=later.job_id)
        new = site.person("operator_contact", operator=after.pk)
        seen = {
            name: [each["number"] for each in who.client().get(f"{API}/certificates/").json()["results"]]
            for name, who in (("before", before), ("after", new))
        }
        assert seen == {"before": [1], "after": [2]}


class TestList:
    @pytest.fixture
    def several(self, site: Site, bench: jobs.Bench) -> list[jobs.Bench]:
        return [bench, *(certified(site) for _ in range(2))]

    def numbers(self, site: Site, query: str = "") -> Any:
        answer = site.manager.client().get(f"{API}/certificates/{query}")
        assert answer.status_code == 200, answer.content
        return [each["number"] for each in answer.json()["results"]]

    def test_is_newest_first_and_goes_on_page_by_page(self, site: Site, several: list[jobs.Bench]) -> None:
        first = site.manager.client().get(f"{API}/certificates/?page_size=2").json()
        second = site.manager.client().get(first["next"]).json()
        assert [each["number"] for each in (*first["results"], *second["results"])] == [3, 2, 1]

    def test_is_filtered_by_job_vehicle_state_and_kind(self, site: Site, several: list[jobs.Bench]) -> None:
        replace(site.manager.client(), 3)
        assert self.numbers(site, f"?job={several[0].job_id}") == [1]
        assert self.numbers(site, f"?vehicle={several[1].vehicle.vin.lower()}") == [2]
        assert self.numbers(site, "?state=preparing") == [4]
        assert self.numbers(site, "?state=issued") == [3, 2, 1]
        assert self.numbers(site, "?kind=findings_report") == []

    @pytest.mark.parametrize(
        "query", ["?job=7", "?state=lost", "?kind=x", "?page_size=0", "?ordering=code", f"?vehicle={'1' * 41}"]
    )
    def test_refuses_a_filter_that_can_mean_nothing(self, site: Site, bench: jobs.Bench, query: str) -> None:
        answer = site.manager.client().get(f"{API}/certificates/{query}")
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["parameter"] in query

    def test_takes_as_many_queries_for_three_as_for_one(self, site: Site, several: list[jobs.Bench]) -> None:
        client = site.manager.client()
        client.get(f"{API}/certificates/")
        counts = []
        for size in (1, 3):
            with CaptureQueriesContext(connection) as queries:
                client.get(f"{API}/certificates/?page_size={size}")
            counts.append(len(queries))
        assert counts[0] == counts[1]

    def test_does_not_read_the_files(self, site: Site, bench: jobs.Bench) -> None:
        with CaptureQueriesContext(connection) as queries:
            site.manager.client().get(f"{API}/certificates/")
        statements = " ".join(query["sql"] for query in queries)
        assert '"reports_certificatefile"."sha256"' in statements
        assert '"pdf"' not in statements
        assert '"snapshot"' not in statements


def test_openapi_describes_every_call_without_a_warning() -> None:
    from reports.api.urls import urlpatterns

    GENERATOR_STATS.reset()
    schema = SchemaGenerator(patterns=urlpatterns).get_schema(public=True)  # type: ignore[no-untyped-call]
    assert not GENERATOR_STATS._error_cache
    assert not GENERATOR_STATS._warn_cache
    assert set(schema["paths"]) == {
        "/certificates/{number}/sending/",
        "/exports/",
        "/exports/{id}/",
        "/exports/{id}/file/",
        "/archives/",
        "/archives/{id}/",
        "/archives/{id}/cancellation/",
        "/imports/",
        "/imports/{id}/",
        "/imports/{id}/errors/",
        "/imports/{id}/cancellation/",
        "/me/calendar/",
        "/operators/{id}/summary/",
        "/webhooks/",
        "/webhooks/{id}/",
        "/webhooks/{id}/rotation/",
        "/webhooks/{webhook}/deliveries/",
        "/webhooks/{webhook}/deliveries/{id}/",
        "/webhooks/{webhook}/deliveries/{id}/replay/",
        "/alerts/",
        "/alerts/{id}/",
        "/alerts/{id}/acknowledgement/",
        "/vehicles/{vin}/drift/",
        "/certificates/",
        "/certificates/{number}/",
        "/certificates/{number}/pdf/",
        "/certificates/{number}/data/",
        "/certificates/{number}/replacement/",
        "/parked-work/",
        "/parked-work/{id}/",
        "/parked-work/{id}/retry/",
    }
    pdf = schema["paths"]["/certificates/{number}/pdf/"]["get"]["responses"]["200"]["content"]
    assert list(pdf) == ["application/pdf"]
