"""Vehicles by VIN: what a VIN must be, corrections, operators and what their contacts see, tyres and events."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone

from fleet import services
from fleet.errors import NotFound
from fleet.ids import new_id
from fleet.models import LedgerEntry, Operator, Tenure, Vehicle
from fleet.selectors.vehicles import visible_vehicles
from fleet.tenancy import in_workshop
from fleet.vin import with_check_digit
from tests.factories import TYRE, Person, Site, new_vin

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


# Tyres


def fit(site: Site, vehicle: Vehicle, **changes: Any) -> Any:
    tyres = {corner: {**TYRE, **changes.get(corner, {})} for corner in ("FL", "FR", "RL", "RR")}
    return post(site, f"{VEHICLES}{vehicle.vin}/fitments/", fitted_on="2026-05-04", odometer_km=41250, tyres=tyres)


def test_a_fitment_says_what_follows_from_the_sizes(site: Site) -> None:
    """255/60R18: D = 18 in + 2 × 0.6 × 255 mm = 457 + 306 = 763 mm; circumference 3.05 D (UN R30);
    load index 112 carries 1120 kg (ISO 4000-1)."""
    tyre = fit(site, site.vehicle()).json()["tyres"]["FL"]
    assert tyre["overall_diameter_mm"] == 763
    assert tyre["rolling_circumference_mm"] == pytest.approx(3.05 * 763, abs=0.06)
    assert tyre["revolutions_per_km"] == pytest.approx(1e6 / (3.05 * 763), abs=0.06)
    assert tyre["load_capacity_kg"] == 1120
    assert (tyre["tread_mm"], tyre["pressure_kpa"]) == (None, None)


def test_a_size_that_the_specification_does_not_list_is_a_finding(site: Site) -> None:
    vehicle = site.vehicle()
    assert fit(site, vehicle, RL={"size": "275/65 r18 116T"}).json()["findings"] == []
    (finding,) = fit(site, vehicle, RL={"size": "265/60R18"}).json()["findings"]
    assert (finding["code"], finding["corner"], finding["severity"]) == ("tyre_not_listed", "RL", "review")


def test_a_tyre_too_weak_for_half_the_axle_load_is_a_finding(site: Site) -> None:
    """Rear axle 1650 kg: 825 kg a tyre, load index 101 (825 kg) just bears it, 100 (800 kg) does not."""
    vehicle = site.vehicle()
    assert fit(site, vehicle, RR={"load_index": 101}).json()["findings"] == []
    (finding,) = fit(site, vehicle, RR={"load_index": 100}).json()["findings"]
    assert (finding["code"], finding["corner"]) == ("load_capacity_low", "RR")


def test_without_a_specification_or_list_there_is_nothing_to_compare_with(site: Site) -> None:
    odd = {"FL": {"size": "175/65R14", "load_index": 82}}
    unspecified = fit(site, site.vehicle(vehicle_model=site.vehicle_model()), **odd).json()
    assert (unspecified["specification"], unspecified["findings"]) == (None, [])
    model = site.specification(allowed_tyres=[], front={**FRONT, "axle_load_kg": Decimal(900)}).vehicle_model
    assert fit(site, site.vehicle(vehicle_model=model), **odd).json()["findings"] == []


FRONT = {
    "target_mm": 486,
    "tolerance_mm": 6,
    "setpoint_low": 40,
    "setpoint_high": 215,
    "response_mm_per_count": 0.9,
    "response_sd": 0.15,
}


@pytest.mark.parametrize(
    ("tyre", "member"),
    [({"size": "wide"}, "size"), ({"load_index": 300}, "load_index"), ({"speed_symbol": "I"}, "speed_symbol"),
     ({"load_index": "112"}, "load_index"), ({"tread_mm": -1}, "tread_mm")],
)  # fmt: skip
def test_what_is_no_tyre_is_refused(site: Site, tyre: dict[str, Any], member: str) -> None:
    response = fit(site, site.vehicle(), FR=tyre)
    assert response.status_code == 422
    assert [error["pointer"] for error in response.json()["errors"]] == [f"/tyres/FR/{member}"]


# Events


@pytest.mark.parametrize(
    ("kind", "corner", "code"),
    [
        ("sensor_replaced", None, "corner_required"),
        ("leak_repaired", None, "corner_required"),
        ("control_unit_replaced", "FL", "corner_not_applicable"),
        ("alignment", "FL", "corner_not_applicable"),
        ("sensor_replaced", "XX", "invalid_choice"),
        ("sensor_replaced", "RL", None),
        ("control_unit_replaced", None, None),
        ("collision", "RL", None),
        ("other", None, None),
    ],
)
def test_an_event_names_its_corner_where_it_has_one(
    site: Site, kind: str, corner: str | None, code: str | None
) -> None:
    body = {"kind": kind, "happened_at": "2026-05-04T09:30:00+02:00", **({"corner": corner} if corner else {})}
    response = post(site, f"{VEHICLES}{site.vehicle().vin}/events/", **body)
    if code is None:
        assert response.status_code == 201
        assert response.json()["corner"] == corner
    else:
        assert codes(response) == [("/corner", code)]


def test_a_wrong_clock_is_a_finding_and_no_refusal(site: Site) -> None:
    """The noted time counts after the tablet's offset; five minutes ahead of the server are tolerated."""
    vehicle, now = site.vehicle(), timezone.now()

    def found(noted: timedelta, tablet: timedelta | None) -> list[str]:
        device_at = now + tablet if tablet is not None else None
        with in_workshop(site.workshop.pk):
            event = services.event_record(
                actor=site.technician.actor(now, device_at=device_at),
                record_id=new_id(),
                vehicle=vehicle,
                kind="other",
                happened_at=now + noted,
            )
        return [finding["code"] for finding in event.findings]

    assert found(timedelta(minutes=5), None) == []
    assert found(timedelta(minutes=6), None) == ["clock_wrong"]
    assert found(timedelta(hours=2), timedelta(hours=2)) == []
    assert found(timedelta(hours=-1), timedelta(hours=-2)) == ["clock_wrong"]


# History


def test_history_is_newest_first_and_filtered(site: Site) -> None:
    vehicle = site.vehicle()
    post(site, f"{VEHICLES}{vehicle.vin}/events/", kind="other", happened_at="2026-01-10T09:30:00Z")
    fit(site, vehicle)
    client, path = site.manager.client(), f"{VEHICLES}{vehicle.vin}/history/"

    def kinds(**query: str) -> list[str]:
        return [row["kind"] for row in client.get(path, query).json()["results"]]

    assert kinds() == ["tyres_fitted", "service_event_recorded", "vehicle_added"]
    assert kinds(kind="tyres_fitted") == ["tyres_fitted"]
    moment = (site.began_at + timedelta(hours=1)).isoformat()
    assert kinds(until=moment) == ["vehicle_added"]
    assert kinds(since=moment) == ["tyres_fitted", "service_event_recorded"]
    newest = client.get(path).json()["results"][0]
    assert newest["by"] == {"id": str(site.manager.membership.pk), "name": site.manager.membership.name}
    assert newest["rows"]["fleet.fitment"][0]["vehicle_id"] == str(vehicle.pk)


@pytest.mark.parametrize("since", ["yesterday", "2026-01-10T09:30:00", "2026-13-10T09:30:00Z"])
def test_history_is_asked_with_times_that_have_an_offset(site: Site, since: str) -> None:
    path = f"{VEHICLES}{site.vehicle().vin}/history/"
    response = site.manager.client().get(path, {"since": since})
    assert (response.status_code, response.json()["errors"][0]["parameter"]) == (422, "since")


def test_the_ledger_is_read_by_the_workshop(site: Site, other_site: Site) -> None:
    vehicle = site.vehicle()
    own = site.person("auditor").client().get(f"{VEHICLES}{vehicle.vin}/ledger/").json()["results"]
    assert [(row["sequence"], row["kind"], row["book"]) for row in own] == [(1, "vehicle_added", str(vehicle.pk))]
    assert own[0]["record"] == {"type": "fleet.vehicle", "id": str(vehicle.pk)}
    assert other_site.manager.client().get(f"{VEHICLES}{vehicle.vin}/ledger/").status_code == 404
    setup = site.manager.client().get("/api/v1/ledger/").json()["results"]
    assert setup[0]["kind"] == "workshop_created"
    assert [row["sequence"] for row in setup] == list(range(1, len(setup) + 1))


def test_a_service_finds_no_vehicle_of_another_workshop(site: Site, other_site: Site) -> None:
    """Even where a caller forgot to ask who may see it."""
    foreign = other_site.vehicle()
    with in_workshop(site.workshop.pk), pytest.raises(NotFound):
        services.vehicle_update(
            actor=site.manager.actor(), vehicle_id=foreign.pk, expected_versions={1}, changes={"registration": "X"}
        )
