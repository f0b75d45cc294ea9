"""Many clients at once, on real commits: one id makes one record, one change wins, no entry is lost."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable
from typing import Any

import pytest
from django.db import connection
from django.utils import timezone
from rest_framework.test import APIClient

from fleet import ledger, receipts
from fleet.ids import new_id
from fleet.models import LedgerEntry, Receipt, Specification, User, Vehicle, Workshop
from fleet.services import workshop_create
from fleet.tenancy import in_workshop
from tests.factories import PASSWORD, Site, make_site, new_vin

CLIENTS = 50


def at_once(number: int, call: Callable[[int], Any]) -> list[Any]:
    """The answers of calls that begin together, each on a connection of its own."""
    answers: list[Any] = [None] * number
    start = threading.Barrier(number)

    def run(index: int) -> None:
        start.wait(timeout=60)
        try:
            answers[index] = call(index)
        finally:
            connection.close()

    threads = [threading.Thread(target=run, args=(index,)) for index in range(number)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=120)
    assert not any(thread.is_alive() for thread in threads)
    return answers


@pytest.fixture
def site(committed_db: None) -> Site:
    return make_site()


def vehicle_body(site: Site, **changes: Any) -> dict[str, Any]:
    model, operator = site.vehicle_model(), site.operator()
    body = {"vin": new_vin(), "vehicle_model": str(model.pk), "operator": str(operator.pk), "model_year": 2024}
    return {**body, **changes}


def test_one_id_raced_by_fifty_clients_makes_one_record(site: Site) -> None:
    body = vehicle_body(site, id=str(new_id()))
    answers = at_once(CLIENTS, lambda _index: site.technician.client().post("/api/v1/vehicles/", body))
    assert Counter(a.status_code for a in answers) == {201: 1, 200: CLIENTS - 1}
    assert {a.json()["id"] for a in answers} == {body["id"]}
    with in_workshop(site.workshop.pk):
        assert Vehicle.objects.count() == 1
        assert LedgerEntry.objects.filter(kind="vehicle_added").count() == 1


def test_without_the_receipt_the_same_race_is_lost(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    """Negative control: the test above would notice if ids were not taken under a lock."""
    monkeypatch.setattr(receipts, "_take", lambda *_arguments: True)
    body = vehicle_body(site, id=str(new_id()))
    answers = at_once(10, lambda _index: site.technician.client().post("/api/v1/vehicles/", body))
    assert Counter(a.status_code for a in answers) != {201: 1, 200: 9}


def test_one_id_with_different_content_makes_one_record(site: Site) -> None:
    body = vehicle_body(site, id=str(new_id()))
    answers = at_once(
        10, lambda i: site.technician.client().post("/api/v1/vehicles/", {**body, "registration": f"LB {i}"})
    )
    assert Counter(a.status_code for a in answers) == {201: 1, 409: 9}
    with in_workshop(site.workshop.pk):
        assert Receipt.objects.filter(pk=body["id"]).count() == Vehicle.objects.count() == 1


def test_one_vin_raced_under_different_ids_is_recorded_once(site: Site) -> None:
    body = vehicle_body(site)
    answers = at_once(10, lambda _index: site.technician.client().post("/api/v1/vehicles/", body))
    assert Counter(a.status_code for a in answers) == {201: 1, 409: 9}
    refused = next(a.json() for a in answers if a.status_code == 409)
    assert "VIN" in refused["detail"]


def test_of_changes_to_one_version_one_wins(site: Site) -> None:
    vehicle = site.vehicle()
    path = f"/api/v1/vehicles/{vehicle.vin}/"
    answers = at_once(
        10,
        lambda i: site.technician.client().patch(path, {"registration": f"W {i}"}, HTTP_IF_MATCH='"1"'),
    )
    assert Counter(a.status_code for a in answers) == {200: 1, 412: 9}
    with in_workshop(site.workshop.pk):
        assert Vehicle.objects.get().version == 2


def test_revisions_raced_are_numbered_without_gap(site: Site) -> None:
    model = site.vehicle_model()
    at_once(8, lambda _index: site.specification(model))
    with in_workshop(site.workshop.pk):
        revisions = sorted(Specification.objects.values_list("revision", flat=True))
    assert revisions == list(range(1, 9))


def test_a_book_written_by_many_has_one_chain(site: Site) -> None:
    vehicle = site.vehicle()
    event = {"kind": "other", "happened_at": "2026-01-10T09:30:00Z"}
    path = f"/api/v1/vehicles/{vehicle.vin}/events/"
    answers = at_once(20, lambda _index: site.technician.client().post(path, event))
    assert {a.status_code for a in answers} == {201}
    with in_workshop(site.workshop.pk):
        entries = list(LedgerEntry.objects.filter(book=vehicle.pk).order_by("sequence"))
    assert [entry.sequence for entry in entries] == list(range(1, 22))
    hashes = [ledger.FIRST_PREVIOUS_HASH, *[entry.hash for entry in entries]]
    assert [entry.previous_hash for entry in entries] == hashes[:-1]


def test_a_second_approver_and_the_one_person_setting_exclude_each_other(site: Site) -> None:
    """Whichever comes first, they never end up together."""
    client = site.manager.client()
    etag = client.get("/api/v1/workshop/")["ETag"]
    person = f"/api/v1/people/{site.technician.membership.pk}/"
    version = client.get(person)["ETag"]

    def either(index: int) -> Any:
        if index:
            return client.patch("/api/v1/workshop/", {"single_person": True}, HTTP_IF_MATCH=etag)
        return client.patch(person, {"may_approve": True}, HTTP_IF_MATCH=version)

    approver, setting = at_once(2, either)
    assert approver.status_code == 200
    assert setting.status_code in (200, 409)
    with in_workshop(site.workshop.pk):
        assert Workshop.objects.get().single_person is False


def test_an_invitation_accepted_many_times_at_once_is_accepted_once(site: Site) -> None:
    body = {"email": f"{new_id().hex}@example.com", "name": "Kim", "roles": ["technician"]}
    code = site.manager.client().post("/api/v1/people/", body).json()["invitation"]
    path = f"/api/v1/invitations/{code}/acceptance/"
    answers = at_once(8, lambda _index: APIClient().post(path, {"password": PASSWORD}))
    assert Counter(a.status_code for a in answers) == {201: 1, 200: 7}


def test_the_command_run_twice_at_once_makes_one_workshop(committed_db: None) -> None:
    email = f"{new_id().hex}@example.com"
    User.objects.create_user(email, PASSWORD)
    founded = at_once(
        6,
        lambda _index: workshop_create(name="Fell Garage", email=email, password=PASSWORD, now=timezone.now()),
    )
    assert len({one.workshop.pk for one in founded}) == 1
    assert [one.is_new for one in founded].count(True) == 1
