"""What every resource of fleet does the same way: who may, what is missing, stale or repeated, how many queries."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from fleet.api.examples import SPECIFICATION, TYRE
from fleet.ids import new_id
from fleet.models import Instrument, Vehicle
from fleet.tenancy import in_workshop
from tests.factories import Site, new_vin

CORNERS = ("FL", "FR", "RL", "RR")
API = "/api/v1"
REQUEST_QUERIES = 6
"""Credential, savepoint, workshop, token with membership, epoch, release; the list itself comes on top."""


@dataclass(frozen=True)
class Resource:
    """A collection: where it is, a right body, another one, and how to change one where that is possible."""

    name: str
    path: Callable[[Site], str]
    body: Callable[[Site], dict[str, Any]]
    other: dict[str, Any]
    invalid: dict[str, Any]
    change: dict[str, Any] | None = None
    key: str = "id"
    technician_may: bool = False
    list_queries: int = 1

    def __str__(self) -> str:
        return self.name


def vehicle_of(site: Site) -> Vehicle:
    """The site's first vehicle, made when it is first asked for."""
    with in_workshop(site.workshop.pk):
        known = Vehicle.objects.order_by("created_at", "pk").first()
    return known or site.vehicle()


def instrument_path(part: str) -> Callable[[Site], str]:
    def path(site: Site) -> str:
        with in_workshop(site.workshop.pk):
            known = Instrument.objects.order_by("created_at", "pk").first()
        return f"{API}/instruments/{(known or site.instrument()).pk}/{part}/"

    return path


def vehicle_path(part: str) -> Callable[[Site], str]:
    return lambda site: f"{API}/vehicles/{vehicle_of(site).vin}/{part}/"


def fixed(path: str) -> Callable[[Site], str]:
    return lambda _site: f"{API}/{path}/"


def constant(**body: Any) -> Callable[[Site], dict[str, Any]]:
    return lambda _site: dict(body)


def _vehicle_body(site: Site) -> dict[str, Any]:
    known = vehicle_of(site)
    return {
        "vin": new_vin(),
        "registration": "LB 1",
        "vehicle_model": str(known.vehicle_model_id),
        "model_year": 2024,
        "operator": str(known.operator_id),
    }


CALIBRATION = {"calibrated_on": "2026-01-10", "calibration_due_on": "2027-01-10"}
TAPE = {"kind": "tape", "accuracy_class": "II", "resolution_mm": 1, "length_mm": 3000, **CALIBRATION}
EVENT = {"kind": "sensor_replaced", "corner": "RL", "happened_at": "2026-01-10T09:30:00+02:00"}

RESOURCES = [
    Resource(
        "people",
        fixed("people"),
        constant(email="kim@example.com", name="Kim Arden", roles=["technician"]),
        other={"name": "Kim Ardent"},
        invalid={"roles": ["chief"]},
        change={"may_approve": True},
    ),
    Resource(
        "operators",
        fixed("operators"),
        constant(name="Tarn Lodge", email="fleet@example.com"),
        other={"name": "Tarn Inn"},
        invalid={"email": "nobody"},
        change={"telephone": "+43 1 234"},
    ),
    Resource(
        "bays",
        fixed("bays"),
        constant(name="Bay 2", surveyed_on="2026-03-02", pad_levels_mm=dict.fromkeys(CORNERS, 0.5)),
        other={"name": "Bay 3"},
        invalid={"pad_levels_mm": {"FL": 0}},
        change={"surveyed_on": "2026-04-02"},
    ),
    Resource(
        "instruments",
        fixed("instruments"),
        constant(serial="T-7", **TAPE),
        other={"serial": "T-8"},
        invalid={"resolution_mm": 0},
        list_queries=3,
    ),
    Resource(
        "calibrations",
        instrument_path("calibrations"),
        constant(**CALIBRATION),
        other={"calibration_due_on": "2027-02-10"},
        invalid={"calibration_due_on": "2026-01-10"},
        list_queries=2,
    ),
    Resource(
        "withdrawals",
        instrument_path("withdrawal"),
        constant(kind="lost", since="2026-02-01", reason="not in its drawer"),
        other={"reason": "fell into the pit"},
        invalid={"kind": "sold"},
        list_queries=2,
    ),
    Resource(
        "vehicle models",
        fixed("vehicle-models"),
        constant(make="Brae", name="Fell", year_from=2020, year_to=2027),
        other={"name": "Fell 2"},
        invalid={"year_to": 2019},
        change={"year_to": 2028},
    ),
    Resource(
        "specifications",
        lambda site: f"{API}/vehicle-models/{vehicle_of(site).vehicle_model_id}/specifications/",
        constant(**SPECIFICATION),
        other={"settling_mm": 2},
        invalid={"step_max_counts": 61},
        list_queries=2,
    ),
    Resource(
        "vehicles",
        fixed("vehicles"),
        _vehicle_body,
        other={"registration": "LB 2"},
        invalid={"vin": "1M8GDM9A0KP042788"},
        change={"registration": "LB 3"},
        key="vin",
        technician_may=True,
    ),
    Resource(
        "fitments",
        vehicle_path("fitments"),
        constant(fitted_on="2026-01-10", odometer_km=41250, tyres=dict.fromkeys(CORNERS, TYRE)),
        other={"odometer_km": 41251},
        invalid={"tyres": dict.fromkeys(CORNERS[:3], TYRE)},
        technician_may=True,
        list_queries=2,
    ),
    Resource(
        "events",
        vehicle_path("events"),
        constant(**EVENT),
        other={"corner": "RR"},
        invalid={"happened_at": "2026-01-10T09:30:00"},
        technician_may=True,
        list_queries=2,
    ),
]
PARTS = {"calibrations", "withdrawals", "specifications", "fitments", "events"}
EVERY = pytest.mark.parametrize("resource", RESOURCES, ids=str)
CHANGEABLE = pytest.mark.parametrize("resource", [r for r in RESOURCES if r.change], ids=str)


def made(site: Site, resource: Resource, **changes: Any) -> Any:
    """One record, posted by the manager."""
    body = {**resource.body(site), **changes}
    response = site.manager.client().post(resource.path(site), body)
    assert response.status_code == 201, response.content
    return response.json()


def one(site: Site, resource: Resource, record: Any) -> str:
    return f"{resource.path(site)}{record[resource.key]}/"


@EVERY
def test_a_manager_makes_reads_and_lists(site: Site, resource: Resource) -> None:
    record = made(site, resource)
    client = site.manager.client()
    again = client.get(one(site, resource, record))
    listed = client.get(resource.path(site))
    assert again.status_code == listed.status_code == 200
    assert again.json()["id"] == record["id"]
    assert record["id"] in [row["id"] for row in listed.json()["results"]]


@EVERY
def test_an_auditor_reads_and_makes_nothing(site: Site, resource: Resource) -> None:
    record = made(site, resource)
    auditor = site.person("auditor").client()
    assert auditor.get(one(site, resource, record)).status_code == 200
    assert auditor.get(resource.path(site)).status_code == 200
    refused = auditor.post(resource.path(site), resource.body(site))
    assert (refused.status_code, refused.json()["type"]) == (403, "role_missing")


@EVERY
def test_a_technician_makes_facts_and_vehicles_only(site: Site, resource: Resource) -> None:
    response = site.technician.client().post(resource.path(site), resource.body(site))
    assert response.status_code == (201 if resource.technician_may else 403)


@EVERY
def test_without_a_token_nothing_is_read_or_made(site: Site, resource: Resource) -> None:
    record = made(site, resource)
    anonymous = APIClient()
    for response in (
        anonymous.get(resource.path(site)),
        anonymous.get(one(site, resource, record)),
        anonymous.post(resource.path(site), resource.body(site)),
    ):
        assert response.status_code == 401
        assert response.json()["type"] == "not_authenticated"


@EVERY
def test_another_workshops_record_is_not_found(site: Site, other_site: Site, resource: Resource) -> None:
    record = made(site, resource)
    stranger = other_site.manager.client()
    assert stranger.get(one(site, resource, record)).status_code == 404
    if resource.change:
        changed = stranger.patch(one(site, resource, record), resource.change, HTTP_IF_MATCH='"1"')
        assert changed.status_code == 404
    listed = stranger.get(resource.path(other_site)).json()["results"]
    assert record["id"] not in [row["id"] for row in listed]


@pytest.mark.parametrize("resource", [r for r in RESOURCES if r.name in PARTS], ids=str)
def test_nothing_is_added_to_another_workshops_parent(site: Site, other_site: Site, resource: Resource) -> None:
    response = other_site.manager.client().post(resource.path(site), resource.body(site))
    assert response.status_code == 404


@EVERY
def test_a_missing_record_is_not_found(site: Site, resource: Resource) -> None:
    response = site.manager.client().get(f"{resource.path(site)}{new_id()}/")
    assert response.status_code == 404
    assert response.json()["type"] == "not_found"


@EVERY
def test_an_invalid_body_names_the_place(site: Site, resource: Resource) -> None:
    body = {**resource.body(site), **resource.invalid}
    response = site.manager.client().post(resource.path(site), body)
    assert response.status_code == 422
    (name,) = resource.invalid
    pointers = [error["pointer"] for error in response.json()["errors"]]
    assert all(pointer.startswith(f"/{name}") for pointer in pointers), pointers
    assert all(error["detail"] for error in response.json()["errors"])


@EVERY
def test_an_empty_body_names_what_is_missing(site: Site, resource: Resource) -> None:
    response = site.manager.client().post(resource.path(site), {})
    assert response.status_code == 422
    assert {error["code"] for error in response.json()["errors"]} == {"required"}


@EVERY
def test_the_same_id_and_content_give_the_first_record(site: Site, resource: Resource) -> None:
    body = {**resource.body(site), "id": str(new_id())}
    client = site.manager.client()
    first = client.post(resource.path(site), body)
    again = client.post(resource.path(site), body)
    assert (first.status_code, again.status_code) == (201, 200), again.content
    assert first.json() == again.json()
    ids = [row["id"] for row in client.get(resource.path(site)).json()["results"]]
    assert ids.count(body["id"]) == 1


@EVERY
def test_the_same_id_with_other_content_is_refused(site: Site, resource: Resource) -> None:
    body = {**resource.body(site), "id": str(new_id())}
    client = site.manager.client()
    assert client.post(resource.path(site), body).status_code == 201
    refused = client.post(resource.path(site), {**body, **resource.other})
    assert (refused.status_code, refused.json()["type"]) == (409, "id_reused")


@EVERY
def test_every_step_leaves_a_ledger_entry(site: Site, resource: Resource) -> None:
    record = made(site, resource)
    ledger = f"{API}/ledger/"
    if resource.name in {"vehicles", "fitments", "events"}:
        vin = record["vin"] if resource.key == "vin" else vehicle_of(site).vin
        ledger = f"{API}/vehicles/{vin}/ledger/"
    entries = site.manager.client().get(ledger, {"page_size": 200}).json()["results"]
    assert record["id"] in [entry["record"]["id"] for entry in entries]


@CHANGEABLE
def test_a_change_needs_the_version_that_was_read(site: Site, resource: Resource) -> None:
    record = made(site, resource)
    path, client = one(site, resource, record), site.manager.client()
    etag = client.get(path)["ETag"]
    without = client.patch(path, resource.change)
    assert (without.status_code, without.json()["type"]) == (428, "version_required")
    changed = client.patch(path, resource.change, HTTP_IF_MATCH=etag)
    assert changed.status_code == 200, changed.content
    assert resource.change is not None
    assert changed.json().items() >= resource.change.items()
    assert changed["ETag"] != etag
    stale = client.patch(path, resource.change, HTTP_IF_MATCH=etag)
    assert (stale.status_code, stale.json()["type"]) == (412, "stale_version")


@CHANGEABLE
def test_only_who_may_change_changes(site: Site, resource: Resource) -> None:
    path = one(site, resource, made(site, resource))
    assert APIClient().patch(path, resource.change, HTTP_IF_MATCH='"1"').status_code == 401
    auditor = site.person("auditor").client()
    assert auditor.patch(path, resource.change, HTTP_IF_MATCH='"1"').status_code == 403


@EVERY
def test_a_list_needs_no_more_queries_for_more_records(site: Site, resource: Resource) -> None:
    several = {
        "people": {"email": "lou@example.com"},
        "operators": {"name": "Weir Port"},
        "bays": {"name": "Bay 9"},
        "instruments": {"serial": "T-9"},
        "vehicle models": {"name": "Weir"},
    }
    made(site, resource)
    client, path = site.manager.client(), resource.path(site)
    client.get(path)
    with CaptureQueriesContext(connection) as few:
        client.get(path)
    made(site, resource, **several.get(resource.name, {}))
    with CaptureQueriesContext(connection) as more:
        client.get(path)
    assert len(few) == len(more) == REQUEST_QUERIES + resource.list_queries


@pytest.mark.parametrize(
    ("name", "first", "second"),
    [
        ("operators", {"name": "Tarn"}, {"name": "Weir"}),
        ("bays", {"name": "North"}, {"name": "South"}),
        ("vehicle models", {"name": "Fell"}, {"name": "Weir"}),
    ],
)
def test_a_name_that_is_taken_is_refused(site: Site, name: str, first: dict[str, Any], second: dict[str, Any]) -> None:
    (resource,) = [r for r in RESOURCES if r.name == name]
    made(site, resource, **first)
    other = one(site, resource, made(site, resource, **second))
    client = site.manager.client()
    again = client.post(resource.path(site), {**resource.body(site), **first})
    renamed = client.patch(other, first, HTTP_IF_MATCH='"1"')
    assert again.status_code == renamed.status_code == 409
    assert again.json()["errors"][0]["pointer"] == "/name"
    same = client.patch(other, second, HTTP_IF_MATCH='"1"')
    assert (same.status_code, same["ETag"]) == (200, '"1"')


def test_a_models_years_stay_in_order(site: Site) -> None:
    (resource,) = [r for r in RESOURCES if r.name == "vehicle models"]
    path = one(site, resource, made(site, resource))
    refused = site.manager.client().patch(path, {"year_from": 2028}, HTTP_IF_MATCH='"1"')
    assert refused.json()["errors"][0]["code"] == "years_in_order"
