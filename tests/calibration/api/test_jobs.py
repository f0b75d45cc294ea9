"""Jobs over HTTP: opened, listed, read, and brought on by their actions."""

from __future__ import annotations

import re

from calibration.rules.readiness import ITEMS
from tests.calibration.api.http_bench import ON_TARGET, ONE_HIGH, SETPOINTS, HttpBench, moment
from tests.factories import Site, new_vin


def errors_of(response: object) -> set[tuple[str, str]]:
    return {(each["pointer"], each["code"]) for each in response.json()["errors"]}  # type: ignore[attr-defined]


def test_an_opened_job_says_what_comes_next_and_what_it_is_judged_by(bench: HttpBench) -> None:
    job = bench.open_job(note="Leans to the left.")

    assert job["state"] == "open"
    assert job["vehicle"]["vin"] == bench.vehicle.vin
    assert job["specification"]["revision"] == 1
    assert job["specification"]["front"]["target_mm"] == 486
    assert job["next_step"] == "check_readiness"
    assert job["next_step_detail"]["reason"] == "readiness_missing"
    assert job["readiness"]["merged"] == dict.fromkeys(ITEMS, "not_done")
    assert job["rounds"] == []
    assert job["assessment"] is None
    assert (job["repeat_limit_mm"], job["gross_limit_mm"]) == (2.8, 150)
    assert job["repeat_limits_mm"] == {"2": 2.8, "3": 3.3}
    assert bench.state() == job


BAD_JOBS: list[tuple[dict[str, object], str, str]] = [
    ({"vehicle": "1M8GDM9AXKP042788"}, "/vehicle", "unknown_vehicle"),
    ({"vehicle": 17}, "/vehicle", "not_text"),
    ({"reason": "because"}, "/reason", "not_allowed"),
    ({"odometer_km": "48210"}, "/odometer_km", "not_a_number"),
    ({"odometer_km": -1}, "/odometer_km", "too_small"),
    ({"odometer_km": 1e12}, "/odometer_km", "too_large"),
    ({"bay": "019b1d2e-0000-7000-8000-000000000001"}, "/bay", "does_not_exist"),
    ({"bay": "7e0f3c1e-98cb-4c5a-8f0a-6f2f4a2f9d11"}, "/bay", "does_not_exist"),
    ({"bay": 7}, "/bay", "not_a_uuid"),
    ({"resaon": "routine"}, "/resaon", "unknown_member"),
    ({"reason": "reversion"}, "/to_job", "required"),
    ({"id": "7e0f3c1e-98cb-4c5a-8f0a-6f2f4a2f9d11"}, "/id", "not_uuid7"),
    ({"note": "x" * 2001}, "/note", "max_length"),
]


def test_a_job_that_is_not_valid_is_refused_naming_the_field(bench: HttpBench) -> None:
    good = {"vehicle": bench.vehicle.vin, "reason": "routine", "odometer_km": 48210}

    answers = [bench.post("/jobs/", {**good, **change}) for change, _pointer, _code in BAD_JOBS]

    assert {each.status_code for each in answers} == {422}
    for answer, (_change, pointer, code) in zip(answers, BAD_JOBS, strict=True):
        assert (pointer, code) in errors_of(answer)
    assert bench.get("/jobs/").json()["results"] == []
    assert bench.post("/jobs/", good).status_code == 201


def test_a_second_open_job_on_a_vehicle_is_a_conflict(bench: HttpBench) -> None:
    first = bench.open_job()

    response = bench.post("/jobs/", {"vehicle": bench.vehicle.vin, "reason": "routine", "odometer_km": 1})

    assert (response.status_code, response.json()["type"]) == (409, "job_open")
    assert f"no. {first['number']} (id {first['id']})" in response.json()["detail"]
    assert "end it" in response.json()["detail"]


def test_a_job_can_be_opened_by_a_vin_that_was_corrected(bench: HttpBench) -> None:
    wrong, right = bench.vehicle.vin, new_vin()
    bench.made(f"/vehicles/{wrong}/vin-correction/", {"vin": right, "reason": "Mistyped."}, client=bench.manager)

    job = bench.open_job(vehicle=wrong)

    assert job["vehicle"]["vin"] == right
    assert [each["id"] for each in bench.get("/jobs/", vehicle=wrong).json()["results"]] == [job["id"]]


def test_jobs_are_listed_by_what_is_asked_for(site: Site, bench: HttpBench) -> None:
    first = bench.open_job()
    other = HttpBench.of(site)
    second = other.open_job(reason="complaint")
    other.made(f"/jobs/{second['id']}/end/", {"reason": "Owner took it away."})

    def listed(**query: str) -> list[str]:
        return [each["id"] for each in bench.get("/jobs/", **query).json()["results"]]

    assert listed() == [second["id"], first["id"]]
    assert listed(ordering="number") == [first["id"], second["id"]]
    assert listed(vehicle=bench.vehicle.vin) == [first["id"]]
    assert listed(state="ended") == [second["id"]]
    assert listed(reason="routine") == [first["id"]]
    assert listed(operator=str(bench.vehicle.operator_id)) == [first["id"]]
    since, until = (each["opened_at"][:10] for each in (first, second))  # midnight may lie between
    assert listed(since=since, until=until) == [second["id"], first["id"]]
    assert listed(since=second["opened_at"]) == [second["id"]]
    assert listed(until=second["opened_at"]) == [first["id"]]
    assert listed(since="2100-01-01") == []


def test_a_filter_that_cannot_be_meant_is_refused_naming_the_parameter(bench: HttpBench) -> None:
    for name, value in (
        ("vehicle", "not a vin"),
        ("vehicle", "\0"),
        ("state", "finished"),
        ("since", "yesterday"),
        ("until", "2026-05-04T09:30:00"),
        ("operator", "42"),
        ("page_size", "0"),
        ("ordering", "note"),
        ("cursor", "x"),
    ):
        response = bench.get("/jobs/", **{name: value})

        assert response.status_code == 422
        assert [each["parameter"] for each in response.json()["errors"]] == [name]


def test_pages_of_jobs_neither_skip_nor_repeat(site: Site, bench: HttpBench) -> None:
    made = [HttpBench.of(site).open_job()["id"] for _number in range(3)]

    first = bench.get("/jobs/", page_size="2").json()
    response = bench.client.get(first["next"])

    pages = [each["id"] for each in (*first["results"], *response.json()["results"])]
    assert pages == made[::-1]
    assert response.json()["next"] is None


def test_the_whole_job_leads_to_a_signature_that_closes_it(bench: HttpBench) -> None:
    bench.open_job()
    steps = [bench.state()["next_step"]]
    bench.make_ready()
    steps.append(bench.state()["next_step"])
    bench.measure(ONE_HIGH)
    steps.append(bench.state()["next_step"])
    proposal = bench.propose()
    steps.append(bench.state()["next_step"])
    bench.write(proposal)
    steps.append(bench.state()["next_step"])
    bench.measure(ON_TARGET)
    steps.append(bench.state()["next_step"])
    shown = bench.state()["content_sha256"]

    response = bench.sign_off(remark="Road test done.")

    assert steps == ["check_readiness", "measure", "propose", "write", "settle_and_measure", "sign_off"]
    assert response.status_code == 200
    job = response.json()
    assert (job["state"], job["next_step"]) == ("signed_off", "done")
    assert job["sign_off"]["content_sha256"] == shown
    assert job["sign_off"]["remark"] == "Road test done."
    assert job["as_found"]["setpoints"] == SETPOINTS
    assert job["as_left"]["setpoints"] == proposal["to_setpoints"] == job["setpoints"]
    assert job["baseline"] == SETPOINTS
    assert job["closed_at"] is not None


def test_a_sign_off_over_something_else_than_what_stands_is_a_conflict(bench: HttpBench) -> None:
    bench.adjusted()

    stale = bench.post(f"/jobs/{bench.job}/sign-off/", {"pin": "4711", "content_sha256": "0" * 64})

    assert (stale.status_code, stale.json()["type"]) == (409, "record_changed")
    assert stale.json()["next_step"] == "sign_off"
    assert bench.sign_off().status_code == 200


def test_a_sign_off_out_of_turn_names_the_next_step(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)

    response = bench.sign_off()

    assert (response.status_code, response.json()["next_step"]) == (409, "propose")


def test_what_is_no_pin_or_no_hash_is_refused_without_being_tried(bench: HttpBench) -> None:
    bench.adjusted()

    for pin in ("12", "abcd", 4711, None, "123456789"):
        response = bench.sign_off(pin=pin)
        assert response.status_code == 422
        assert {each["pointer"] for each in response.json()["errors"]} == {"/pin"}
    assert errors_of(bench.sign_off(content_sha256="F" * 64)) == {("/content_sha256", "not_a_hash")}
    assert bench.sign_off().status_code == 200


def test_wrong_pins_are_counted_although_the_sign_off_is_rolled_back(bench: HttpBench) -> None:
    bench.adjusted()

    answers = [bench.sign_off(pin="0000") for _attempt in range(5)]
    locked = bench.sign_off(pin="4711")

    assert [each.status_code for each in answers] == [422] * 5
    told = [each.json()["errors"][0]["detail"] for each in answers]
    left = ["4 more attempts", "3 more attempts", "2 more attempts", "1 more attempt;", "locked for 15 minutes"]
    assert all(words in detail for words, detail in zip(left, told, strict=True)), told
    assert re.search(
        r"until \d+ \w{3} \d{4}, \d\d:\d\d by the workshop's clock \(for another 1[45] min\)", locked.json()["detail"]
    )
    assert (locked.status_code, locked.json()["type"]) == (429, "pin_locked")
    assert int(locked["Retry-After"]) > 0
    assert bench.state()["state"] == "adjusting"


def test_a_paused_job_goes_on_with_the_set_points_read(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)

    paused = bench.made(f"/jobs/{bench.job}/pause/", {"reason": "Rod ordered."})
    resumed = bench.made(
        f"/jobs/{bench.job}/resumption/",
        {"reason": "Rod has come.", "setpoints": SETPOINTS, "nothing_changed": True},
    )

    assert (paused["state"], paused["next_step"]) == ("paused", "paused")
    assert [each["reason"] for each in paused["pauses"]] == ["Rod ordered."]
    assert (resumed["state"], resumed["next_step"]) == ("measuring", "propose")
    assert resumed["resumptions"][0]["nothing_changed"] is True


def test_a_job_ends_with_the_set_points_last_read(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    bench.write(bench.propose())

    without = bench.post(f"/jobs/{bench.job}/end/", {"reason": "Owner took it away."})
    ended = bench.made(f"/jobs/{bench.job}/end/", {"reason": "Owner took it away.", "setpoints": bench.setpoints})

    assert errors_of(without) == {("/setpoints", "required_after_write")}
    assert (ended["state"], ended["next_step"]) == ("ended", "done")
    assert ended["end"]["setpoints"] == bench.setpoints


def test_a_manager_refiles_a_job_to_the_vehicle_it_was_about(site: Site, bench: HttpBench) -> None:
    right = site.vehicle()
    bench.measured()
    body = {"vehicle": right.vin, "reason": "Label of the neighbouring vehicle was scanned."}

    refused = bench.post(f"/jobs/{bench.job}/refiling/", body)
    job = bench.made(f"/jobs/{bench.job}/refiling/", body, client=bench.manager)

    assert refused.status_code == 403
    assert job["vehicle"]["vin"] == right.vin
    assert job["refilings"][0]["from_vehicle"] == str(bench.vehicle.pk)


def test_a_job_without_a_specification_is_recorded_and_not_judged(site: Site) -> None:
    bench = HttpBench.of(site, site.vehicle(vehicle_model=site.vehicle_model()))

    bench.measured(ONE_HIGH)

    job = bench.state()
    assert (job["specification"], job["assessment"], job["next_step"]) == (None, None, "inspect")
    assert [each["code"] for each in job["findings"]] == ["no_specification"]
    assert job["rounds"][0]["assessment"] is None


def test_events_on_the_vehicle_appear_in_its_job(bench: HttpBench) -> None:
    bench.measured()
    event = {"kind": "sensor_replaced", "corner": "FL", "happened_at": moment(), "note": ""}
    bench.made(f"/vehicles/{bench.vehicle.vin}/events/", event)

    job = bench.state()

    assert [(each["kind"], each["corner"]) for each in job["events"]] == [("sensor_replaced", "FL")]
    assert job["readiness"]["ready"] is False
