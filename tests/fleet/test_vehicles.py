"""Vehicles by VIN: what a VIN must be, corrections, operators and what their contacts see."""

from __future__ import annotations

from typing import Any

import pytest

from fleet.ids import new_id
from fleet.models import LedgerEntry, Operator, Tenure, Vehicle
from fleet.selectors.vehicles import visible_vehicles
from fleet.tenancy import in_workshop
from fleet.vin import with_check_digit
from tests.factories import Person, Site, new_vin

VEHICLES = "/api/v1/vehicles/"
# An invented maker code; the form of the number and its check digit are what counts.
EUROPEAN_VIN_WITHOUT_CHECK_DIGIT = "ZZ9BRAE00RA000017"


def body_for(site: Site, **changes: Any) -> dict[str, Any]:
    model = site.vehicle_model()
    return {
        "vin": new_vin(),
        "registration": "LB 1",
        "vehicle_model": str(model.pk),
        "model_year": 2024,
        "operator": str(site.operator().pk),
        **changes,
    }


def post(site: Site, path: str = VEHICLES, **body: Any) -> Any:
    return site.manager.client().post(path, body)


def patch(site: Site, vin: str, **changes: Any) -> Any:
    client = site.manager.client()
    path = f"{VEHICLES}{vin}/"
    return client.patch(path, changes, HTTP_IF_MATCH=client.get(path)["ETag"])


def codes(response: Any) -> list[tuple[str, str]]:
    return [(error["pointer"], error["code"]) for error in response.json()["errors"]]


def test_a_vin_is_kept_in_its_written_form(site: Site) -> None:
    vin = new_vin()
    made = post(site, **body_for(site, vin=f" {vin[:3].lower()}-{vin[3:].lower()} "))
    assert made.json()["vin"] == vin
    assert site.manager.client().get(f"{VEHICLES}{vin.lower()}/").status_code == 200


@pytest.mark.parametrize(
    ("vin", "code"),
    [
        ("1M8GDM9A0KP042788", "vin_check_digit"),
        ("0LBWAGNX0RA00000O", "vin_character"),
        ("0LBWAGNX0RA00001", "vin_length"),
        (17, "not_text"),
    ],
)
def test_what_is_no_vin_is_refused(site: Site, vin: Any, code: str) -> None:
    assert codes(post(site, **body_for(site, vin=vin))) == [("/vin", code)]


def test_outside_north_america_a_wrong_check_digit_is_noted(site: Site) -> None:
    made = post(site, **body_for(site, vin=EUROPEAN_VIN_WITHOUT_CHECK_DIGIT))
    assert made.status_code == 201
    assert [f["code"] for f in made.json()["findings"]] == ["check_digit_differs"]
    right = post(site, **body_for(site, vin=with_check_digit(EUROPEAN_VIN_WITHOUT_CHECK_DIGIT)))
    assert right.json()["findings"] == []


def test_a_north_american_model_year_is_compared(site: Site) -> None:
    """1M8GDM9AXKP042788 has K in position 10 and a digit in position 7: 1989 (49 CFR 565.15)."""
    model = str(site.vehicle_model(year_from=1980, year_to=None).pk)
    fitting = body_for(site, vin="1M8GDM9AXKP042788", vehicle_model=model, model_year=1989)
    made = post(site, **fitting)
    assert made.json()["findings"] == []
    changed = patch(site, "1M8GDM9AXKP042788", model_year=1990)
    assert [f["code"] for f in changed.json()["findings"]] == ["model_year_differs"]


def test_a_model_year_lies_within_the_models_years(site: Site) -> None:
    assert codes(post(site, **body_for(site, model_year=2019))) == [("/model_year", "model_year_outside")]
    made = post(site, **body_for(site, model_year=2029))
    assert made.status_code == 201
    refused = patch(site, made.json()["vin"], model_year=2030)
    assert codes(refused) == [("/model_year", "model_year_outside")]
    assert patch(site, made.json()["vin"], model_year=None).json()["model_year"] is None


def test_a_vin_is_recorded_once_in_each_workshop(site: Site, other_site: Site) -> None:
    body = body_for(site)
    assert post(site, **body).status_code == 201
    again = post(site, **body)
    assert (again.status_code, again.json()["type"]) == (409, "vin_taken")
    assert post(other_site, **body_for(other_site, vin=body["vin"])).status_code == 201


@pytest.mark.parametrize("name", ["vehicle_model", "operator"])
def test_references_stay_within_the_workshop(site: Site, other_site: Site, name: str) -> None:
    foreign = body_for(other_site)[name]
    assert codes(post(site, **body_for(site, **{name: foreign}))) == [(f"/{name}", "unknown_reference")]
    made = post(site, **body_for(site)).json()
    assert codes(patch(site, made["vin"], **{name: foreign})) == [(f"/{name}", "unknown_reference")]


def test_a_technician_changes_the_registration_but_not_the_operator(site: Site) -> None:
    vehicle = site.vehicle()
    client, path = site.technician.client(), f"{VEHICLES}{vehicle.vin}/"
    assert client.patch(path, {"registration": "LB 9"}, HTTP_IF_MATCH='"1"').status_code == 200
    refused = client.patch(path, {"operator": str(site.operator().pk)}, HTTP_IF_MATCH='"2"')
    assert refused.status_code == 403


# Corrections


def correct(site: Site, vehicle: Vehicle, vin: str, **body: Any) -> Any:
    return post(site, f"{VEHICLES}{vehicle.vin}/vin-correction/", vin=vin, reason="8 read as B", **body)


def test_a_corrected_vehicle_answers_to_both_vins(site: Site) -> None:
    vehicle, right = site.vehicle(), new_vin()
    corrected = correct(site, vehicle, right)
    assert corrected.status_code == 201, corrected.content
    assert corrected.json()["previous_vin"] == vehicle.vin
    client = site.manager.client()
    for vin in (vehicle.vin, right):
        found = client.get(f"{VEHICLES}{vin}/")
        assert (found.json()["id"], found.json()["vin"]) == (str(vehicle.pk), right)
    assert [row["id"] for row in client.get(VEHICLES, {"q": vehicle.vin[-6:]}).json()["results"]] == [str(vehicle.pk)]


def test_a_registration_is_found_however_it_is_spaced(site: Site) -> None:
    vehicle = site.vehicle(registration="QX 21 FLW")
    for typed in ("qx21flw", "QX21 FLW", " 21 flw "):
        found = site.manager.client().get(VEHICLES, {"q": typed}).json()["results"]
        assert [each["id"] for each in found] == [str(vehicle.pk)], typed


def test_the_vehicle_that_really_has_a_mistyped_vin_comes_first(site: Site) -> None:
    mistyped = site.vehicle()
    correct(site, mistyped, new_vin())
    real = site.vehicle(vin=mistyped.vin)
    assert site.manager.client().get(f"{VEHICLES}{mistyped.vin}/").json()["id"] == str(real.pk)


def test_a_correction_needs_another_free_vin_and_a_manager(site: Site) -> None:
    vehicle, other = site.vehicle(), site.vehicle()
    assert codes(correct(site, vehicle, vehicle.vin)) == [("/vin", "vin_unchanged")]
    taken = correct(site, vehicle, other.vin)
    assert (taken.status_code, taken.json()["type"]) == (409, "vin_taken")
    path = f"{VEHICLES}{vehicle.vin}/vin-correction/"
    refused = site.technician.client().post(path, {"vin": new_vin(), "reason": "r"})
    assert refused.status_code == 403


def test_a_repeated_correction_is_carried_out_once(site: Site) -> None:
    vehicle, right, record_id = site.vehicle(), new_vin(), str(new_id())
    first = correct(site, vehicle, right, id=record_id)
    again = correct(site, vehicle, right, id=record_id)
    assert (first.status_code, again.status_code) == (201, 200)
    listed = site.manager.client().get(f"{VEHICLES}{right}/vin-correction/").json()["results"]
    assert [row["id"] for row in listed] == [record_id]


# Lists


def test_vehicles_are_found_by_part_of_vin_or_registration(site: Site) -> None:
    first, second = site.vehicle(registration="LB 777"), site.vehicle(registration="W 12")
    client = site.manager.client()

    def found(**query: Any) -> set[str]:
        return {row["id"] for row in client.get(VEHICLES, query).json()["results"]}

    assert found(q="lb 77") == {str(first.pk)}
    assert found(q=second.vin[-6:].lower()) == {str(second.pk)}
    assert found(registration="W 12") == {str(second.pk)}
    assert found(operator=str(first.operator_id)) == {str(first.pk)}
    assert found(vehicle_model=str(second.vehicle_model_id)) == {str(second.pk)}
    assert found(q="nothing") == set()
    refused = client.get(VEHICLES, {"operator": "x"})
    assert (refused.status_code, refused.json()["errors"][0]["parameter"]) == (422, "operator")


def test_pages_hold_every_vehicle_once(site: Site) -> None:
    model, operator = site.vehicle_model(), site.operator()
    made = {str(site.vehicle(vehicle_model=model, operator=operator).pk) for _ in range(5)}
    client, address, seen = site.manager.client(), f"{VEHICLES}?page_size=2&ordering=registration", []
    while address:
        page = client.get(address).json()
        seen += [row["id"] for row in page["results"]]
        address = page["next"]
    assert len(seen) == 5
    assert set(seen) == made


# Operators and their contacts


@pytest.fixture
def contact(site: Site) -> Person:
    return site.person("operator_contact", operator=site.operator(name="Tarn Lodge").pk)


def operator_of(person: Person) -> Operator:
    with in_workshop(person.membership.workshop_id):
        return Operator.objects.get(contacts=person.membership)


def test_a_contact_sees_the_own_operators_vehicles(site: Site, contact: Person) -> None:
    own, foreign = site.vehicle(operator=operator_of(contact)), site.vehicle()
    client = contact.client()
    assert [row["id"] for row in client.get(VEHICLES).json()["results"]] == [str(own.pk)]
    assert client.get(f"{VEHICLES}{own.vin}/").json()["registration"] == own.registration
    for path in ("", "fitments/", "events/", "history/"):
        assert client.get(f"{VEHICLES}{foreign.vin}/{path}").status_code == 404, path
    assert client.get(f"{VEHICLES}{own.vin}/ledger/").status_code == 403
    assert client.get("/api/v1/instruments/").status_code == 403
    assert [row["id"] for row in client.get("/api/v1/operators/").json()["results"]] == [
        str(contact.membership.operator_id)
    ]


def test_a_contact_records_nothing_here(site: Site, contact: Person) -> None:
    own = site.vehicle(operator=operator_of(contact))
    client = contact.client()
    assert client.post(VEHICLES, {}).status_code == 403
    assert client.post(f"{VEHICLES}{own.vin}/events/", {}).status_code == 403
    assert client.patch(f"{VEHICLES}{own.vin}/", {}, HTTP_IF_MATCH='"1"').status_code == 403


def test_a_contact_sees_a_vehicle_for_the_time_it_was_theirs(site: Site, contact: Person) -> None:
    vehicle = site.vehicle(operator=operator_of(contact))
    event = {"kind": "other", "happened_at": "2026-01-10T09:30:00Z"}
    theirs = post(site, f"{VEHICLES}{vehicle.vin}/events/", **event).json()
    sold = patch(site, vehicle.vin, operator=str(site.operator().pk), registration="W 12")
    assert sold.status_code == 200
    later = post(site, f"{VEHICLES}{vehicle.vin}/events/", **event).json()

    client = contact.client()
    one = client.get(f"{VEHICLES}{vehicle.vin}/").json()
    assert (one["operator"], one["registration"]) == (None, None)
    assert [row["id"] for row in client.get(f"{VEHICLES}{vehicle.vin}/events/").json()["results"]] == [theirs["id"]]
    history = client.get(f"{VEHICLES}{vehicle.vin}/history/").json()["results"]
    assert [row["kind"] for row in history] == ["service_event_recorded", "vehicle_added"]
    assert later["id"] not in str(history)
    for query in ({"registration": "W 12"}, {"q": "W 12"}, {"operator": sold.json()["operator"]}):
        assert client.get(VEHICLES, query).json()["results"] == [], query


def test_tenures_follow_each_other_without_a_gap(site: Site) -> None:
    vehicle = site.vehicle()
    patch(site, vehicle.vin, operator=str(site.operator().pk))
    patch(site, vehicle.vin, registration="LB 5")
    with in_workshop(site.workshop.pk):
        first, second = Tenure.objects.filter(vehicle=vehicle)
        entry = LedgerEntry.objects.get(book=vehicle.pk, sequence=2)
    assert first.ended_at == second.began_at
    assert second.ended_at is None
    assert len(entry.payload["rows"]["fleet.tenure"]) == 2


def test_someone_without_any_right_to_vehicles_sees_none(site: Site) -> None:
    site.vehicle()
    nobody = site.person("integrator", scopes=["checks:write"])
    assert nobody.client().get(VEHICLES).status_code == 403
    with in_workshop(site.workshop.pk):
        assert not visible_vehicles(nobody.actor()).exists()
