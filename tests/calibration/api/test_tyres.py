"""A vehicle's tyres compared with the reference tyre, over HTTP."""

from __future__ import annotations

from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.models import Vehicle
from tests.calibration.api.http_bench import ON_TARGET, HttpBench
from tests.factories import TYRE, Site, make_site

LARGER = {**TYRE, "size": "275/65R18", "load_index": 116}


@pytest.fixture
def vehicle(site: Site) -> Vehicle:
    vehicle = site.vehicle()
    site.fitment(vehicle, tyres={corner: dict(LARGER) for corner in ("FL", "FR", "RL", "RR")})
    return vehicle


def fetched(client: Any, vehicle: Vehicle) -> dict[str, Any]:
    answer = client.get(f"/api/v1/vehicles/{vehicle.vin}/tyres/")
    assert answer.status_code == 200, answer.content
    found: dict[str, Any] = answer.json()
    return found


def test_larger_tyres_are_compared_with_the_reference_tyre(site: Site, vehicle: Vehicle) -> None:
    found = fetched(site.technician.client(), vehicle)
    corner = found["corners"]["FL"]
    # 275/65R18: 457 + 2 × 179 mm = 815 mm, against 763 mm of 255/60R18.
    assert found["reference_tyre"] == "255/60R18"
    assert (corner["size"], corner["overall_diameter_mm"], corner["free_radius_mm"]) == ("275/65R18", 815, 407.5)
    assert corner["difference"]["radius_mm"] == 26
    assert corner["revolutions_per_km"] == pytest.approx(1e6 / (815 * 3.05))
    assert found["overreading_needed_pct"] == pytest.approx(100 * (815 / 763 - 1))
    assert [each["permitted"] for each in found["speed"]] == [False] * 3
    assert found["axle_loads"]["rear"]["capacity_kg"] == 2500
    assert [each["code"] for each in found["notes"]] == ["speed_reads_low"]
    assert found["findings"] == []
    assert (found["heights_measured_at"], corner["arch_clearance_mm"]) == (None, None)


def test_room_to_the_arch_is_that_at_the_height_last_measured(site: Site, bench: HttpBench) -> None:
    site.fitment(bench.vehicle)
    bench.measured(ON_TARGET)
    found = fetched(site.technician.client(), bench.vehicle)
    assert found["corners"]["RL"]["arch_clearance_mm"] == pytest.approx(504 - 763 / 2)
    assert found["heights_measured_at"] is not None


def test_what_a_job_would_find_is_told(site: Site) -> None:
    vehicle = site.vehicle()
    site.fitment(vehicle, tyres={corner: {**TYRE, "size": "205/55R16", "load_index": 80} for corner in ON_TARGET})
    found = fetched(site.technician.client(), vehicle)
    assert {each["code"] for each in found["findings"]} == {"tyre_not_listed", "load_capacity_low"}


def test_without_a_specification_the_tyres_themselves_are_told(site: Site) -> None:
    vehicle = site.vehicle(vehicle_model=site.vehicle_model())
    site.fitment(vehicle)
    found = fetched(site.technician.client(), vehicle)
    assert (found["specification"], found["reference_tyre"], found["speed"]) == (None, None, [])
    assert found["corners"]["FL"]["difference"] is None
    assert found["axle_loads"] == {"front": None, "rear": None}


def test_without_tyres_on_record_there_is_nothing(site: Site) -> None:
    answer = site.technician.client().get(f"/api/v1/vehicles/{site.vehicle().vin}/tyres/")
    assert answer.status_code == 404


def test_who_sees_them(site: Site, vehicle: Vehicle) -> None:
    address = f"/api/v1/vehicles/{vehicle.vin}/tyres/"
    contact = site.person("operator_contact", operator=vehicle.operator_id)
    stranger = site.person("operator_contact", operator=site.operator().pk)
    assert contact.client().get(address).status_code == 200
    assert stranger.client().get(address).status_code == 404
    assert make_site().technician.client().get(address).status_code == 404
    assert APIClient().get(address).status_code == 401
    assert site.technician.client().get(address, {"size": "x"}).status_code == 422
