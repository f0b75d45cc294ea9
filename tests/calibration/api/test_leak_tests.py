"""Leak tests over HTTP: rates per corner with their uncertainty, refusals that name the field, repeated requests."""

from __future__ import annotations

from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.ids import new_id
from tests.calibration.api.http_bench import ON_TARGET, HttpBench, moment
from tests.calibration.api.test_jobs import errors_of
from tests.factories import Site, make_site

LIMITS: dict[str, Any] = {"leak_limit_mm_per_h": 1.0, "air_column_mm": 300}


@pytest.fixture
def bench(site: Site) -> HttpBench:
    bench = HttpBench.of(site, site.vehicle(vehicle_model=site.specification(**LIMITS).vehicle_model))
    bench.open_job()
    return bench


def body_of(bench: HttpBench, minutes: float = 2, sank: float = 0, **fields: Any) -> dict[str, Any]:
    """The job was opened just now, so that a test within it is short."""
    start = {"at": moment(-minutes), "heights": dict(ON_TARGET)}
    end = {"at": moment(), "heights": {**ON_TARGET, "RL": ON_TARGET["RL"] - sank}}
    return {"instrument": str(bench.tape.pk), "start": start, "end": end, **fields}


def address(bench: HttpBench) -> str:
    return f"/jobs/{bench.job}/leak-tests/"


def test_a_test_answers_with_its_rates_and_is_listed_with_its_job(bench: HttpBench) -> None:
    body = body_of(bench, sank=60)
    body["start"]["temperature_deg_c"], body["end"]["temperature_deg_c"] = 20, 19.5
    test = bench.made(address(bench), body)
    job = bench.state()

    corner = test["corners"]["RL"]
    assert corner["verdict"] == test["verdict"] == "outside"
    assert corner["change_mm"] == -60
    assert corner["rate_mm_per_h"] > corner["expanded_uncertainty_mm_per_h"] + 1
    assert test["temperature_corrected"] is corner["temperature_corrected"] is True
    assert test["corners"]["FL"]["verdict"] == "undecided"
    assert test["corners"]["FL"]["hours_to_decide"] > test["hours"]
    assert {part["component"] for part in corner["budget"]} >= {"repeatability", "resolution", "temperature_start"}
    assert test["end"] == {**body["end"], "at": test["end"]["at"], "heights": {**body["end"]["heights"], "RL": 444.0}}
    assert {(each["code"], each.get("corner")) for each in test["findings"]} >= {("leak_outside", "RL")}
    assert (job["next_step"], job["next_step_detail"]["reason"]) == ("inspect", "leak_outside")
    assert "RL sank by" in job["next_step_detail"]["detail"]
    assert job["leak_tests"] == [test]
    assert bench.get(address(bench)).json()["results"] == [test]
    assert bench.get(f"{address(bench)}{test['id']}/").json() == test
    refused = bench.post(f"/jobs/{bench.job}/proposals/")
    assert (refused.status_code, refused.json()["next_step"]) == (409, "inspect")


def test_the_history_of_the_vehicle_tells_of_it(bench: HttpBench) -> None:
    bench.made(address(bench), body_of(bench, sank=60))
    lines = [each["summary"] for each in bench.get(f"/vehicles/{bench.vehicle.vin}/history/").json()["results"]]

    assert "leak test over 0.0 hours" in lines[0]
    assert "(leaks)" in lines[0]


def test_sent_again_it_is_the_same_test_with_and_without_an_id(bench: HttpBench) -> None:
    body = body_of(bench, id=str(new_id()))
    first, again = (bench.post(address(bench), body) for _ in "ab")
    bare = body_of(bench)
    one, other = (bench.post(address(bench), bare) for _ in "ab")
    changed = bench.post(address(bench), {**body, "end": {**body["end"], "temperature_deg_c": 4}})

    assert (first.status_code, again.status_code) == (one.status_code, other.status_code) == (201, 200)
    assert first.json() == again.json()
    assert one.json() == other.json()
    assert changed.status_code == 409
    assert len(bench.state()["leak_tests"]) == 2


def _without(body: dict[str, Any], *path: str) -> dict[str, Any]:
    inner: Any = body
    for name in path[:-1]:
        inner = inner[name]
    del inner[path[-1]]
    return body


def _with(body: dict[str, Any], value: Any, *path: str) -> dict[str, Any]:
    inner: Any = body
    for name in path[:-1]:
        inner = inner[name]
    inner[path[-1]] = value
    return body


def test_what_is_malformed_is_refused_naming_the_field(bench: HttpBench) -> None:
    def body() -> dict[str, Any]:
        return body_of(bench)

    bad = {
        "no end": (_without(body(), "end"), "/end", "required"),
        "a corner missing": (_without(body(), "end", "heights", "RR"), "/end/heights/RR", "corner_missing"),
        "a corner unknown": (_with(body(), 480, "end", "heights", "XX"), "/end/heights/XX", "unknown_corner"),
        "a height of nothing": (_with(body(), 0, "start", "heights", "FL"), "/start/heights/FL", "not_above"),
        "longer than the tape": (_with(body(), 3500, "end", "heights", "FL"), "/end/heights/FL", "beyond_instrument"),
        "inches": (_with(body(), 19.1, "start", "heights", "FL"), "/start/heights/FL", "confirm_height"),
        "no offset": (_with(body(), "2026-05-04T09:30:00", "end", "at"), "/end/at", "offset_required"),
        "backwards": (_with(body(), body()["start"]["at"], "end", "at"), "/end/at", "not_after_start"),
        "fahrenheit": (_with(body(), 72, "end", "temperature_deg_c"), "/end/temperature_deg_c", "too_large"),
        "text": (_with(body(), "20", "end", "temperature_deg_c"), "/end/temperature_deg_c", "not_a_number"),
        "unknown member": (_with(body(), 1, "start", "odour"), "/start/odour", "unknown_member"),
        "no such tape": (_with(body(), str(new_id()), "instrument"), "/instrument", "does_not_exist"),
    }
    bad["backwards"][0]["start"]["at"] = bad["backwards"][0]["end"]["at"]

    answers = {name: bench.post(address(bench), sent) for name, (sent, *_) in bad.items()}

    assert {name: each.status_code for name, each in answers.items()} == dict.fromkeys(bad, 422)
    for name, (_sent, pointer, code) in bad.items():
        assert errors_of(answers[name]) == {(pointer, code)}, name
    assert bench.state()["leak_tests"] == []


def test_a_height_far_from_target_stands_where_it_is_confirmed(bench: HttpBench) -> None:
    body = body_of(bench, sank=200)
    refused = bench.post(address(bench), body)
    body["end"]["confirmed"] = True

    assert errors_of(refused) == {("/end/heights/RL", "confirm_height")}
    assert bench.made(address(bench), body)["corners"]["RL"]["verdict"] == "outside"


def test_only_who_records_facts_in_the_workshop_may(bench: HttpBench) -> None:
    body = body_of(bench)
    who = {
        "nobody": APIClient(),
        "auditor": bench.site.person("auditor").client(),
        "another workshop": make_site().technician.client(),
    }

    statuses = {name: bench.post(address(bench), body, client).status_code for name, client in who.items()}
    reading = {name: bench.get(address(bench), client).status_code for name, client in who.items()}

    assert statuses == {"nobody": 401, "auditor": 403, "another workshop": 404}
    assert reading == {"nobody": 401, "auditor": 200, "another workshop": 404}
    assert bench.state()["leak_tests"] == []
