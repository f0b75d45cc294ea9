"""Every change of a vehicle's set-points, and the reset of its baseline, over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from tests.calibration.api.http_bench import ON_TARGET, ONE_HIGH, SETPOINTS, HttpBench
from tests.factories import Site


def test_a_written_change_tells_who_why_and_the_heights_around_it(site: Site, bench: HttpBench) -> None:
    job = bench.adjusted()

    [change] = bench.get(f"/vehicles/{bench.vehicle.vin}/setpoints/").json()["results"]

    proposal = job["proposals"][0]
    assert (change["corner"], change["from"], change["to"]) == ("FL", SETPOINTS["FL"], proposal["to_setpoints"]["FL"])
    assert change["who"]["id"] == str(site.technician.membership.pk)
    assert change["at"] == job["writes"][0]["happened_at"]
    assert (change["source"], change["write"], change["proposal"]) == ("write", job["writes"][0]["id"], proposal["id"])
    assert change["why"] == proposal["changes"]["FL"]["reason"]
    assert change["job"] == {"id": bench.job, "number": job["number"]}
    assert (change["height_before_mm"], change["height_after_mm"]) == (498, 486)


def test_a_change_found_at_the_next_visit_is_told_as_found(site: Site, bench: HttpBench) -> None:
    bench.measured()
    bench.made(f"/jobs/{bench.job}/end/", {"reason": "Nothing to do."})
    bench.setpoints = {**SETPOINTS, "RR": 130}
    bench.measured(ONE_HIGH)

    [change] = bench.get(f"/vehicles/{bench.vehicle.vin}/setpoints/").json()["results"]

    assert (change["corner"], change["from"], change["to"]) == ("RR", SETPOINTS["RR"], 130)
    assert (change["source"], change["why"], change["write"]) == ("found", None, None)
    assert (change["height_before_mm"], change["height_after_mm"]) == (None, 504)


def test_changes_read_at_a_resumption_and_at_the_end_are_told_too(bench: HttpBench) -> None:
    bench.measured()
    bench.made(f"/jobs/{bench.job}/pause/", {"reason": "Parts."})
    resumed = {"reason": "Here.", "setpoints": {**SETPOINTS, "FL": 100}, "nothing_changed": False}
    bench.made(f"/jobs/{bench.job}/resumption/", resumed)
    bench.made(f"/jobs/{bench.job}/end/", {"reason": "Stop.", "setpoints": {**SETPOINTS, "FL": 90}})

    changes = bench.get(f"/vehicles/{bench.vehicle.vin}/setpoints/").json()["results"]

    assert [(each["from"], each["to"], each["source"]) for each in changes] == [(100, 90, "found"), (128, 100, "found")]


def test_a_hand_entered_change_gives_the_persons_own_reason(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    proposal = bench.propose(setpoints={**SETPOINTS, "FL": 117}, justification="As the bulletin says.")
    bench.write(proposal)

    [change] = bench.get(f"/vehicles/{bench.vehicle.vin}/setpoints/").json()["results"]

    assert (change["why"], change["height_after_mm"]) == ("As the bulletin says.", None)


def test_struck_readings_count_in_no_height(site: Site, bench: HttpBench) -> None:
    measured = bench.measured({**ON_TARGET, "FL": 498})
    struck = {"reason": "Wrong mark.", "replacement": {"height_mm": 500}}
    other = site.person("technician").client()
    for reading in measured["readings"][:2]:
        bench.made(f"/readings/{reading['id']}/strike/", struck, other)
    bench.write(read_back={**SETPOINTS, "FL": 118})

    [change] = bench.get(f"/vehicles/{bench.vehicle.vin}/setpoints/").json()["results"]

    assert change["height_before_mm"] == 500


def test_changes_come_newest_first_in_pages(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    for count in (127, 126, 125, 124, 123):
        bench.write(read_back={**SETPOINTS, "FL": count})
    address = f"/vehicles/{bench.vehicle.vin}/setpoints/"

    def walk(page: dict[str, Any], along: str) -> list[dict[str, Any]]:
        pages = [page]
        while url := pages[-1][along]:
            pages.append(bench.client.get(url).json())
        return pages

    forwards = walk(bench.get(address, page_size="2").json(), "next")
    backwards = walk(forwards[-1], "previous")

    shown = [[each["to"] for each in page["results"]] for page in forwards]
    assert shown == [[123, 124], [125, 126], [127]]
    assert [page["results"] for page in backwards] == [page["results"] for page in reversed(forwards)]
    assert bench.get(address, page_size="1000").json()["next"] is None


def test_a_page_that_cannot_be_meant_is_refused(bench: HttpBench) -> None:
    for name, value in (("page_size", "-1"), ("page_size", "two"), ("cursor", "x")):
        response = bench.get(f"/vehicles/{bench.vehicle.vin}/setpoints/", **{name: value})

        assert response.status_code == 422
        assert [each["parameter"] for each in response.json()["errors"]] == [name]


def test_set_points_of_an_unknown_vehicle_are_not_found(bench: HttpBench) -> None:
    assert bench.get("/vehicles/0LBWAGNX5RA999999/setpoints/").status_code == 404


def test_a_manager_resets_the_baseline_of_named_corners(bench: HttpBench) -> None:
    bench.measured()
    bench.made(f"/jobs/{bench.job}/end/", {"reason": "Nothing to do."})
    address = f"/vehicles/{bench.vehicle.vin}/baseline-reset/"
    body = {"corners": ["RR", "RL"], "reason": "Rear subframe replaced."}

    by_technician = bench.post(address, body)
    reset = bench.made(address, body, bench.manager)
    bench.setpoints = {"FL": 100, "FR": 100, "RL": 100, "RR": 100}
    bench.measured()

    assert by_technician.status_code == 403
    assert (reset["corners"], reset["vehicle"]) == (["RL", "RR"], str(bench.vehicle.pk))
    assert bench.state()["baseline"] == {"FL": 128, "FR": 131, "RL": 100, "RR": 100}


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"corners": [], "reason": "New."}, "/corners"),
        ({"corners": ["XX"], "reason": "New."}, "/corners/0"),
        ({"corners": "FL", "reason": "New."}, "/corners"),
        ({"corners": ["FL"]}, "/reason"),
    ],
)
def test_a_baseline_reset_that_is_not_valid_is_refused(bench: HttpBench, body: dict[str, object], pointer: str) -> None:
    response = bench.post(f"/vehicles/{bench.vehicle.vin}/baseline-reset/", body, bench.manager)

    assert response.status_code == 422
    assert {each["pointer"] for each in response.json()["errors"]} == {pointer}
