"""What happens to a vehicle besides its jobs: tyres and events, and its history and ledger in which all stands."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import pytest
from django.utils import timezone, translation

from fleet import services
from fleet.errors import NotFound
from fleet.history import summary_of
from fleet.ids import new_id
from fleet.models import LedgerEntry, Vehicle
from fleet.specifications import CORNERS
from fleet.tenancy import in_workshop
from tests.factories import TYRE, Site, new_vin

from .test_vehicles import VEHICLES, codes, patch, post

# Tyres


def fit(site: Site, vehicle: Vehicle, **changes: Any) -> Any:
    tyres = {corner: {**TYRE, **changes.get(corner, {})} for corner in ("FL", "FR", "RL", "RR")}
    return post(site, f"{VEHICLES}{vehicle.vin}/fitments/", fitted_on="2026-05-04", odometer_km=41250, tyres=tyres)


def test_tyres_are_recorded_once_they_are_fitted(site: Site) -> None:
    tyres = dict.fromkeys(("FL", "FR", "RL", "RR"), TYRE)
    address = f"{VEHICLES}{site.vehicle().vin}/fitments/"
    tomorrow = timezone.now().date() + timedelta(days=2)
    refused = post(site, address, fitted_on=tomorrow.isoformat(), tyres=tyres)
    assert (refused.status_code, codes(refused)) == (422, [("/fitted_on", "in_the_future")])
    assert post(site, address, fitted_on=timezone.now().date().isoformat(), tyres=tyres).status_code == 201


def test_a_fitment_says_what_follows_from_the_sizes(site: Site) -> None:
    """255/60R18: D = 18 in + 2 × 0.6 × 255 mm = 457 + 306 = 763 mm; circumference 3.05 D (UN R30);
    load index 112 carries 1120 kg (ISO 4000-1)."""
    tyre = fit(site, site.vehicle()).json()["tyres"]["FL"]
    assert tyre["overall_diameter_mm"] == 763
    assert tyre["rolling_circumference_mm"] == pytest.approx(3.05 * 763, abs=0.06)
    assert tyre["revolutions_per_km"] == pytest.approx(1e6 / (3.05 * 763), abs=0.06)
    assert tyre["load_capacity_kg"] == 1120
    assert (tyre["tread_mm"], tyre["pressure_kpa"]) == (None, None)


def test_a_pressure_in_bar_is_refused(site: Site) -> None:
    refused = fit(site, site.vehicle(), RL={"pressure_kpa": 5})
    assert (refused.status_code, codes(refused)) == (422, [("/tyres/RL/pressure_kpa", "too_small")])


def test_a_size_that_the_specification_does_not_list_is_a_finding(site: Site) -> None:
    vehicle = site.vehicle()
    assert fit(site, vehicle, RL={"size": "275/65 r18 116T"}).json()["findings"] == []
    (finding,) = fit(site, vehicle, RL={"size": "265/60R18"}).json()["findings"]
    assert (finding["code"], finding["corner"], finding["severity"]) == ("tyre_not_listed", "RL", "review")


@pytest.mark.parametrize(
    ("listed", "fitted", "corners"),
    [
        ("235/65R16 121R", "235/65R16C", []),
        ("235/65R16C 121/119R", "235/65R16C", []),
        ("235/65R16C", "235/65R16", ["FL", "FR", "RL", "RR"]),
        ("235/65R16", "235/60R16C", ["FL", "FR", "RL", "RR"]),
    ],
)
def test_a_list_of_sizes_is_compared_by_size_and_takes_a_c_tyre_for_one_without(
    site: Site, listed: str, fitted: str, corners: list[str]
) -> None:
    vehicle = site.vehicle(vehicle_model=site.specification(allowed_tyres=[listed]).vehicle_model)
    tyres = {corner: {"size": fitted, "load_index": 121} for corner in CORNERS}
    findings = fit(site, vehicle, **tyres).json()["findings"]
    assert [each["corner"] for each in findings] == corners


def test_a_tyre_too_weak_for_half_the_axle_load_is_a_finding(site: Site) -> None:
    """Rear axle 1650 kg: 825 kg a tyre, load index 101 (825 kg) just bears it, 100 (800 kg) does not."""
    vehicle = site.vehicle()
    assert fit(site, vehicle, RR={"load_index": 101}).json()["findings"] == []
    (finding,) = fit(site, vehicle, RR={"load_index": 100}).json()["findings"]
    assert (finding["code"], finding["corner"]) == ("load_capacity_low", "RR")


def test_a_load_index_that_no_table_here_has_is_recorded_and_noted(site: Site) -> None:
    """A lorry tyre: nothing is known against it, so the axle load gives no finding either way."""
    recorded = fit(site, site.vehicle(), RR={"load_index": 152})
    assert recorded.status_code == 201
    assert recorded.json()["tyres"]["RR"]["load_capacity_kg"] is None
    (finding,) = recorded.json()["findings"]
    assert (finding["code"], finding["corner"], finding["severity"]) == ("load_capacity_unknown", "RR", "note")
    assert "152" in finding["detail"]


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
        ("sensor_replaced", "XX", "not_allowed"),
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


def test_an_event_happened_at_its_noted_time_put_right_by_the_tablets_offset(site: Site) -> None:
    """A tablet an hour behind notes the work of now as an hour ago."""
    vehicle, now = site.vehicle(), timezone.now()
    with in_workshop(site.workshop.pk):
        event = services.event_record(
            actor=site.technician.actor(now, device_at=now - timedelta(hours=1)),
            record_id=new_id(),
            vehicle=vehicle,
            kind="other",
            happened_at=now - timedelta(hours=1, minutes=10),
        )
    assert event.happened_at == now - timedelta(minutes=10)
    assert event.findings == []


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


def test_history_says_each_thing_in_a_line_and_names_the_entry_that_proves_it(site: Site) -> None:
    vehicle, wrong = site.vehicle(), ""
    path = f"{VEHICLES}{vehicle.vin}/"
    post(site, f"{path}events/", kind="sensor_replaced", corner="RL", happened_at="2026-01-10T09:30:00Z")
    post(site, f"{path}events/", kind="collision", happened_at="2026-01-11T09:30:00Z")
    fit(site, vehicle)
    patch(site, vehicle.vin, registration="LB 2")
    patch(site, vehicle.vin, operator=str(site.operator().pk))
    wrong, right = vehicle.vin, new_vin()
    post(site, f"{path}vin-correction/", vin=right, reason="Mistyped.")
    client = site.manager.client()
    shown = client.get(f"{path}history/").json()["results"]
    assert [row["summary"] for row in reversed(shown)] == [
        f"Vehicle added with VIN {wrong}.",
        "Height sensor replaced at RL on 10 Jan 2026.",
        "Collision on 11 Jan 2026.",
        "Tyres fitted on 4 May 2026: FL 255/60R18 112V, FR 255/60R18 112V, RL 255/60R18 112V, RR 255/60R18 112V.",
        "Data of the vehicle changed.",
        "Vehicle handed over to another operator.",
        f"VIN corrected from {wrong} to {right}: Mistyped.",
    ]
    entries = client.get(f"{path}ledger/").json()["results"]
    assert [(row["sequence"], row["hash"]) for row in reversed(shown)] == [(e["sequence"], e["hash"]) for e in entries]
    assert {entry["actor_name"] for entry in entries} == {site.manager.membership.name}


def test_in_german_the_corners_of_the_history_are_named_in_german(site: Site) -> None:
    vehicle = site.vehicle()
    fit(site, vehicle, FL={"size": "255/60R18 112V"})
    path, at = f"{VEHICLES}{vehicle.vin}/events/", "2026-01-10T09:30:00Z"
    post(site, path, kind="sensor_replaced", corner="RL", happened_at=at)
    with in_workshop(site.workshop.pk), translation.override("de"):
        told = [summary_of(entry) for entry in LedgerEntry.objects.filter(book=vehicle.pk).order_by("sequence")]
    assert "VL 255/60R18 112V, VR 255/60R18 112V, HL 255/60R18 112V, HR 255/60R18 112V" in told[1]
    assert ", HL, am 10.01.2026" in told[2]


def test_a_kind_that_nobody_puts_into_words_is_named_by_its_slug(site: Site) -> None:
    vehicle = site.vehicle()
    with in_workshop(site.workshop.pk):
        entry = LedgerEntry.objects.get(book=vehicle.pk)
        entry.kind = "something_new"
        assert summary_of(entry) == "Something new."


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
