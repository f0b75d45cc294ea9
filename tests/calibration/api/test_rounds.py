"""Rounds, readings and strikes over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from calibration.models import Reading, Round
from fleet.ids import new_id
from fleet.tenancy import in_workshop
from tests.calibration.api.http_bench import ON_TARGET, ONE_HIGH, SETPOINTS, HttpBench, moment, readings
from tests.calibration.api.test_jobs import errors_of
from tests.factories import Site


def test_a_round_comes_back_with_its_readings_and_its_verdict(bench: HttpBench) -> None:
    measured = bench.measured(ONE_HIGH)

    assert [each["corner"] for each in measured["readings"]] == ["FL", "FL", "FR", "FR", "RL", "RL", "RR", "RR"]
    assert {each["struck"] for each in measured["readings"]} == {False}
    assert measured["assessment"]["verdict"] == "outside"
    assert measured["assessment"]["corners"]["FL"]["deviation_mm"] == 12
    assert measured["recorded_from"] == "tablet"
    assert measured["settling_cut_short_s"] is None
    assert bench.get(f"/rounds/{measured['id']}/").json() == measured
    assert bench.get(f"/jobs/{bench.job}/rounds/{measured['id']}/").json() == measured
    assert bench.state()["rounds"] == [measured]


def test_a_wait_cut_short_stays_with_the_round_which_is_judged(bench: HttpBench) -> None:
    bench.open_job()
    bench.make_ready()
    measured = bench.measure(ONE_HIGH, settling_cut_short_s=35)

    assert bench.get(f"/rounds/{measured['id']}/").json()["settling_cut_short_s"] == 35
    assert measured["assessment"]["verdict"] == "outside"


def test_rounds_are_listed_by_job_and_over_all_jobs(site: Site, bench: HttpBench) -> None:
    mine = bench.measured()["id"]
    other = HttpBench.of(site)
    theirs = other.measured()["id"]

    def listed(address: str, **query: str) -> list[str]:
        return [each["id"] for each in bench.get(address, **query).json()["results"]]

    assert listed(f"/jobs/{bench.job}/rounds/") == [mine]
    assert listed("/rounds/") == [mine, theirs]
    assert listed("/rounds/", job=other.job) == [theirs]
    assert listed("/rounds/", vehicle=bench.vehicle.vin) == [mine]
    assert bench.get(f"/jobs/{bench.job}/rounds/{theirs}/").status_code == 404


def test_ids_of_readings_may_be_made_by_the_client(bench: HttpBench) -> None:
    bench.open_job()
    body = bench.round_body()
    body["readings"] = [{**each, "id": str(new_id())} for each in body["readings"]]

    measured = bench.made(f"/jobs/{bench.job}/rounds/", body)

    assert [each["id"] for each in measured["readings"]] == [each["id"] for each in body["readings"]]


def test_a_reading_may_name_another_person_and_instrument(site: Site, bench: HttpBench) -> None:
    bench.open_job()
    other, rule = site.person("technician"), site.instrument()
    body = bench.round_body()
    body["readings"][0] |= {"measured_by": str(other.membership.pk), "instrument": str(rule.pk)}

    first, second, *_rest = bench.made(f"/jobs/{bench.job}/rounds/", body)["readings"]

    assert (first["measured_by"], first["instrument"]) == (str(other.membership.pk), str(rule.pk))
    assert second["measured_by"] == str(site.technician.membership.pk)


def without(body: dict[str, Any], name: str) -> dict[str, Any]:
    return {key: value for key, value in body.items() if key != name}


HEIGHT = "/readings/0/height_mm"
PER_CORNER = "readings_per_corner"
BAD_ROUNDS: dict[str, tuple[Any, str, str]] = {
    "no body at all": (lambda _b: {}, "/readings", "required"),
    "a corner missing": (lambda b: {**b, "readings": b["readings"][:6]}, "/readings", PER_CORNER),
    "one reading a corner": (lambda b: {**b, "readings": b["readings"][::2]}, "/readings", PER_CORNER),
    "21 readings": (lambda b: {**b, "readings": b["readings"] + readings({"FL": 486}, 19)}, "/readings", PER_CORNER),
    "unknown corner": (
        lambda b: {**b, "readings": [{**b["readings"][0], "corner": "FX"}]},
        "/readings/0/corner",
        "not_allowed",
    ),
    "zero": (lambda b: {**b, "readings": [{"corner": "FL", "height_mm": 0}]}, HEIGHT, "not_above"),
    "letters": (lambda b: {**b, "readings": [{"corner": "FL", "height_mm": "48x"}]}, HEIGHT, "not_a_number"),
    "in inches": (lambda b: {**b, "readings": readings({**ON_TARGET, "FL": 19.1})}, HEIGHT, "confirm_height"),
    "in centimetres": (
        lambda b: {**b, "readings": readings({**ON_TARGET, "RR": 50.4})},
        "/readings/7/height_mm",
        "confirm_height",
    ),
    "longer than the tape": (
        lambda b: {**b, "readings": readings({**ON_TARGET, "FL": 3001})},
        HEIGHT,
        "beyond_instrument",
    ),
    "naive time": (lambda b: {**b, "taken_at": "2026-05-04T09:30:00"}, "/taken_at", "offset_required"),
    "no time": (lambda b: {**b, "taken_at": "2026-02-30T09:30:00Z"}, "/taken_at", "no_such_time"),
    "fraction of a count": (lambda b: {**b, "setpoints": {**SETPOINTS, "FL": 120.5}}, "/setpoints/FL", "fraction"),
    "beyond 32 bits": (lambda b: {**b, "setpoints": {**SETPOINTS, "FL": 2**31}}, "/setpoints/FL", "max_value"),
    "unknown set-point": (lambda b: {**b, "setpoints": {**SETPOINTS, "XX": 1}}, "/setpoints/XX", "unknown_corner"),
    "set-point missing": (lambda b: {**b, "setpoints": without(SETPOINTS, "RR")}, "/setpoints/RR", "corner_missing"),
    "no set-points": (lambda b: {**b, "setpoints": {}}, "/setpoints", "empty"),
    "no settled": (lambda b: without(b, "settled"), "/settled", "required"),
    "settled as text": (lambda b: {**b, "settled": "yes"}, "/settled", "not_a_boolean"),
    "a wait before its beginning": (lambda b: {**b, "settling_cut_short_s": -1}, "/settling_cut_short_s", "min_value"),
    "unknown tape": (lambda b: {**b, "instrument": str(new_id())}, "/instrument", "does_not_exist"),
    "tape as text": (lambda b: {**b, "instrument": "tape"}, "/instrument", "not_a_uuid"),
    "unknown position": (lambda b: {**b, "ride_position": "high"}, "/ride_position", "not_allowed"),
    "too hot": (lambda b: {**b, "temperature_deg_c": 900}, "/temperature_deg_c", "too_large"),
    "no readings": (lambda b: {**b, "readings": []}, "/readings", "min_length"),
    "readings as object": (lambda b: {**b, "readings": {"FL": 1}}, "/readings", "not_a_list"),
}


def test_a_malformed_round_is_refused_naming_the_place_and_stores_nothing(bench: HttpBench) -> None:
    bench.open_job()
    found = {}

    for name, (change, pointer, code) in BAD_ROUNDS.items():
        response = bench.post(f"/jobs/{bench.job}/rounds/", change(bench.round_body()))
        found[name] = (response.status_code, (pointer, code) in errors_of(response))

    assert found == dict.fromkeys(BAD_ROUNDS, (422, True))
    with in_workshop(bench.site.workshop.pk):
        assert not Round.objects.exists()
        assert not Reading.objects.exists()
    assert bench.post(f"/jobs/{bench.job}/rounds/", bench.round_body()).status_code == 201


def test_a_confirmed_height_far_from_target_is_taken(bench: HttpBench) -> None:
    bench.open_job()
    body = bench.round_body({**ON_TARGET, "FL": 650})
    body["readings"][0]["confirmed"] = body["readings"][1]["confirmed"] = True

    assert bench.post(f"/jobs/{bench.job}/rounds/", body).status_code == 201


def test_two_readings_with_one_id_are_refused(bench: HttpBench) -> None:
    bench.open_job()
    body = bench.round_body()
    body["readings"][0]["id"] = body["readings"][1]["id"] = str(new_id())

    assert errors_of(bench.post(f"/jobs/{bench.job}/rounds/", body)) == {("/readings", "id_twice")}


def test_a_vehicle_with_air_at_the_rear_only_takes_two_set_points(site: Site) -> None:
    bare = {"target_mm": 486, "tolerance_mm": 6}
    model = site.specification(front=bare, controlled_corners=["RL", "RR"]).vehicle_model
    bench = HttpBench.of(site, site.vehicle(vehicle_model=model))
    bench.open_job()

    refused = bench.post(f"/jobs/{bench.job}/rounds/", bench.round_body())
    bench.setpoints = {"RL": 119, "RR": 122}
    measured = bench.measure()

    assert errors_of(refused) == {("/setpoints/FL", "uncontrolled_corner"), ("/setpoints/FR", "uncontrolled_corner")}
    assert measured["setpoints"] == {"RL": 119, "RR": 122}


def test_unequal_set_points_of_linked_corners_are_a_finding_in_a_round(site: Site) -> None:
    model = site.specification(linked_corners=[["RL", "RR"]]).vehicle_model
    bench = HttpBench.of(site, site.vehicle(vehicle_model=model))
    bench.open_job()

    bench.measure()

    assert "linked_setpoints_differ" in {each["code"] for each in bench.state()["findings"]}


def test_a_round_at_a_wrong_time_is_stored_with_a_finding(bench: HttpBench) -> None:
    bench.open_job()
    bench.make_ready()

    bench.measure(taken_at=moment(minutes=60))

    findings = bench.state()["findings"]
    assert {each["code"] for each in findings} >= {"clock_wrong"}
    assert next(each for each in findings if each["code"] == "clock_wrong")["severity"] == "review"


def test_further_readings_make_a_new_assessment(bench: HttpBench) -> None:
    measured = bench.measured({**ON_TARGET, "FL": 490})
    body = {"readings": [{"corner": "FL", "height_mm": 490}, {"corner": "FL", "height_mm": 491}]}

    after = bench.made(f"/rounds/{measured['id']}/readings/", body)

    assert len(after["readings"]) == 10
    assert after["assessment"]["corners"]["FL"]["readings"] == 4
    assert len(bench.get(f"/rounds/{measured['id']}/readings/").json()["results"]) == 10
    first = after["readings"][0]
    assert bench.get(f"/readings/{first['id']}/").json() == first


@pytest.mark.parametrize(
    ("readings_sent", "code"),
    [
        ([], "min_length"),
        ([{"corner": "FL"}], "required"),
        ([{"corner": "FL", "height_mm": True}], "not_a_number"),
        ([{"corner": "FL", "height_mm": 486}] * 19, "readings_per_corner"),
    ],
)
def test_malformed_further_readings_are_refused(bench: HttpBench, readings_sent: list[Any], code: str) -> None:
    measured = bench.measured()

    response = bench.post(f"/rounds/{measured['id']}/readings/", {"readings": readings_sent})

    assert response.status_code == 422
    assert code in {each["code"] for each in response.json()["errors"]}


def test_further_readings_known_by_their_own_ids_are_taken_once(bench: HttpBench) -> None:
    measured = bench.measured()
    body = {"readings": [{"id": str(new_id()), "corner": "FL", "height_mm": 486}]}

    first = bench.post(f"/rounds/{measured['id']}/readings/", body)
    again = bench.post(f"/rounds/{measured['id']}/readings/", body)
    body["readings"][0]["height_mm"] = 487
    other = bench.post(f"/rounds/{measured['id']}/readings/", body)

    assert (first.status_code, again.status_code, other.status_code) == (201, 200, 409)
    assert len(again.json()["readings"]) == 9
    assert other.json()["type"] == "id_reused"


def test_a_struck_reading_stays_visible_beside_its_replacement(site: Site, bench: HttpBench) -> None:
    measured = bench.measured({**ON_TARGET, "FL": 498})
    wrong = measured["readings"][0]
    body = {"reason": "Read at the wrong mark.", "replacement": {"height_mm": 486.5}}

    by_who_measured = bench.post(f"/readings/{wrong['id']}/strike/", body)
    missing = bench.get(f"/readings/{wrong['id']}/strike/")
    after = bench.made(f"/readings/{wrong['id']}/strike/", body, client=site.person("technician").client())
    again = bench.post(f"/readings/{wrong['id']}/strike/", body, client=bench.manager)

    assert (by_who_measured.status_code, missing.status_code, again.status_code) == (403, 404, 409)
    assert "Reading the corner again needs nobody else" in by_who_measured.json()["detail"]
    struck = after["readings"][0]
    assert struck["struck"] is True
    assert struck["replaced_by"] == after["readings"][-1]["id"]
    assert struck["strike"]["reason"] == "Read at the wrong mark."
    assert bench.get(f"/readings/{wrong['id']}/strike/").json() == struck["strike"]
    assert after["assessment"]["corners"]["FL"]["readings"] == 2


def test_too_few_readings_are_counted_in_a_sentence_that_fits_any_number(bench: HttpBench) -> None:
    bench.open_job()
    body = bench.round_body()

    response = bench.post(f"/jobs/{bench.job}/rounds/", {**body, "readings": body["readings"][1:]})

    assert response.json()["errors"][0]["detail"] == "A round needs 2 to 20 readings at every corner; FL has 1."


@pytest.mark.parametrize("member", ["hight_mm", "Corner", "setled"])
def test_a_misspelt_member_of_a_reading_is_refused_by_its_place(bench: HttpBench, member: str) -> None:
    bench.open_job()
    body = bench.round_body()
    body["readings"][3] = {**body["readings"][3], member: 1}

    response = bench.post(f"/jobs/{bench.job}/rounds/", body)

    assert errors_of(response) == {(f"/readings/3/{member}", "unknown_member")}


def test_who_measured_and_who_recorded_are_named(bench: HttpBench) -> None:
    measured = bench.measured()
    name = bench.site.technician.membership.name

    assert measured["recorded_by_name"] == name
    assert {each["measured_by_name"] for each in measured["readings"]} == {name}
    job = bench.state()
    assert job["opened_by_name"] == name
    assert job["readiness"]["records"][0]["recorded_by_name"] == name
    assert bench.get("/jobs/").json()["results"][0]["opened_by_name"] == name
