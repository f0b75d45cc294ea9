"""Height checks over HTTP: by technicians and by the operators' drivers, judged at once, refused by field."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from rest_framework.test import APIClient

from fleet.ids import new_id
from tests.calibration.api.http_bench import API, ON_TARGET, ONE_HIGH, HttpBench, moment, readings
from tests.calibration.api.test_jobs import errors_of
from tests.calibration.api.test_photos import picture, upload
from tests.factories import Person, Site, make_site


@pytest.fixture(autouse=True)
def _file_store(settings: Any, tmp_path: Path) -> None:
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def driver(site: Site, bench: HttpBench) -> Person:
    """A contact of the operator whose vehicle it is."""
    return site.person("operator_contact", operator=bench.vehicle.operator_id)


def body_of(bench: HttpBench, heights: Mapping[str, float] = ON_TARGET, **fields: Any) -> dict[str, Any]:
    return {
        "taken_at": moment(-1),
        "loading": "as_specified",
        "instrument": str(bench.tape.pk),
        "readings": readings(heights, repeats=1),
        **fields,
    }


def address(bench: HttpBench) -> str:
    return f"/vehicles/{bench.vehicle.vin}/checks/"


def test_a_check_answers_with_what_it_says_of_each_corner(bench: HttpBench) -> None:
    check = bench.made(address(bench), body_of(bench, ONE_HIGH, odometer_km=48210.5, temperature_deg_c=12.5))

    corner = check["corners"]["FL"]
    assert (corner["deviation_mm"], corner["verdict"], check["verdict"]) == (12.0, "outside", "outside")
    assert (corner["standard_uncertainty_mm"], corner["readings"]) == (1.5, 1)
    assert corner["expanded_uncertainty_mm"] == pytest.approx(1.5 * corner["coverage_factor"], abs=0.02)
    assert check["sides"]["front"]["difference_mm"] == 12.0
    assert check["counts_for_drift"]
    assert check["next_check"]["due_at_km"] == 68210.5
    assert check["next_check"]["due_on"] > check["happened_at"][:10]
    assert bench.get(address(bench)).json()["results"] == [check]
    assert bench.get(f"{address(bench)}{check['id']}/").json() == check
    assert bench.get(f"/checks/{check['id']}/").json() == check


def test_without_an_instrument_the_widest_class_counts_twice(bench: HttpBench) -> None:
    check = bench.made(address(bench), body_of(bench, instrument=None))

    assert check["corners"]["FL"]["standard_uncertainty_mm"] == 3.16  # 2·√(1 + 0.75 + 1/12 + 1/3 + 1/3)
    assert check["verdict"] == "undecided"


def test_a_vehicle_with_another_load_is_shown_and_not_judged(bench: HttpBench) -> None:
    check = bench.made(address(bench), body_of(bench, ONE_HIGH, loading="other"))

    assert check["verdict"] is check["corners"]["FL"]["verdict"] is None
    assert check["corners"]["FL"]["deviation_mm"] == 12.0
    assert not check["counts_for_drift"]


def test_a_vehicle_without_specification_has_its_heights(site: Site) -> None:
    bench = HttpBench.of(site, site.vehicle(vehicle_model=site.vehicle_model()))
    check = bench.made(address(bench), body_of(bench))

    assert check["corners"]["RL"]["mean_mm"] == 504.0
    assert check["corners"]["RL"]["deviation_mm"] is check["sides"] is check["specification"] is None
    assert check["specification_known_at"] is None
    (finding,) = check["findings"]
    assert (finding["code"], finding["severity"]) == ("not_judged_yet", "note")
    (line, *_others) = bench.get(f"/vehicles/{bench.vehicle.vin}/history/").json()["results"]
    assert line["summary"].startswith("Height check, without a verdict since no specification was in force: FL 486")


def test_what_is_odd_about_it_is_said_and_nothing_refused(bench: HttpBench) -> None:
    bench.made(address(bench), body_of(bench, odometer_km=50_000))
    pairs = [*readings(ON_TARGET, repeats=1), {"corner": "RR", "height_mm": 511}]
    check = bench.made(address(bench), body_of(bench, taken_at=moment(60), odometer_km=40_000, readings=pairs))

    found = {(each["code"], each.get("corner")) for each in check["findings"]}
    assert found == {("clock_wrong", None), ("odometer_lower", None), ("pair_disagrees", "RR")}
    assert check["happened_at"] == check["recorded_at"]
    assert "counts from then" in check["findings"][0]["detail"]


def test_the_history_of_the_vehicle_tells_of_it(bench: HttpBench) -> None:
    bench.made(address(bench), body_of(bench, ONE_HIGH))
    bench.made(address(bench), body_of(bench, loading="other", taken_at=moment(-5)))
    lines = [each["summary"] for each in bench.get(f"/vehicles/{bench.vehicle.vin}/history/").json()["results"]]

    assert lines[0].startswith("Height check under another load: FL 486")
    assert lines[1].startswith("Height check: FL 498")
    assert lines[1].endswith("outside tolerance")


def test_sent_again_it_is_the_same_check_with_and_without_an_id(bench: HttpBench) -> None:
    body = body_of(bench, id=str(new_id()))
    first, again = (bench.post(address(bench), body) for _ in "ab")
    bare = body_of(bench, ONE_HIGH, note="wind")
    one, other = (bench.post(address(bench), bare) for _ in "ab")
    changed = bench.post(address(bench), {**body, "loading": "other"})

    assert (first.status_code, again.status_code) == (one.status_code, other.status_code) == (201, 200)
    assert (first.json(), one.json()) == (again.json(), other.json())
    assert changed.status_code == 409
    assert len(bench.get(address(bench)).json()["results"]) == 2


def test_the_id_of_a_reading_is_used_once(bench: HttpBench) -> None:
    read = readings(ON_TARGET, repeats=1)
    read[0]["id"] = str(new_id())
    first = bench.post(address(bench), body_of(bench, readings=read))
    other = bench.post(address(bench), body_of(bench, readings=read, taken_at=moment(-9)))

    assert (first.status_code, other.status_code) == (201, 409)
    assert len(bench.get(address(bench)).json()["results"]) == 1


def test_the_list_is_filtered_and_comes_in_pages(bench: HttpBench) -> None:
    for minutes, loading in ((-30, "other"), (-20, "as_specified"), (-10, "as_specified")):
        bench.made(address(bench), body_of(bench, taken_at=moment(minutes), loading=loading))
    page = bench.get(address(bench), page_size=2).json()

    assert [each["loading"] for each in page["results"]] == ["as_specified"] * 2
    assert page["next"]
    assert len(bench.get(address(bench), loading="other").json()["results"]) == 1
    assert len(bench.get("/checks/", instrument=str(bench.tape.pk)).json()["results"]) == 3
    assert bench.get("/checks/", instrument=str(new_id())).json()["results"] == []
    assert len(bench.get("/checks/", since=moment(-15)).json()["results"]) == 1
    assert len(bench.get("/checks/", vehicle=bench.vehicle.vin).json()["results"]) == 3
    assert bench.get(address(bench), lading="other").status_code == 422


def test_what_is_malformed_is_refused_naming_the_field(bench: HttpBench) -> None:
    def with_height(height: float) -> dict[str, Any]:
        return body_of(bench, {**ON_TARGET, "RL": height})

    three = {corner: height for corner, height in ON_TARGET.items() if corner != "RR"}
    unknown = [*readings(ON_TARGET, repeats=1), {"corner": "XX", "height_mm": 480}]
    bad = {
        "no loading": ({**body_of(bench), "loading": None}, "/loading", None),
        "other loading": (body_of(bench, loading="heavy"), "/loading", None),
        "a corner missing": (body_of(bench, three), "/readings", "readings_per_corner"),
        "a corner unknown": (body_of(bench, readings=unknown), "/readings/4/corner", None),
        "a height of nothing": (with_height(0), "/readings/2/height_mm", "not_above"),
        "longer than the tape": (with_height(3500), "/readings/2/height_mm", "beyond_instrument"),
        "inches": (with_height(19.8), "/readings/2/height_mm", "confirm_height"),
        "no offset": (body_of(bench, taken_at="2026-05-04T09:30:00"), "/taken_at", "offset_required"),
        "odometer": (body_of(bench, odometer_km=-1), "/odometer_km", "too_small"),
        "unknown member": (body_of(bench, odour=1), "/odour", "unknown_member"),
        "no such tape": (body_of(bench, instrument=str(new_id())), "/instrument", "does_not_exist"),
    }
    answers = {name: bench.post(address(bench), sent) for name, (sent, *_) in bad.items()}

    assert {name: each.status_code for name, each in answers.items()} == dict.fromkeys(bad, 422)
    for name, (_sent, pointer, code) in bad.items():
        [(found, found_code)] = errors_of(answers[name])
        assert (found, found_code if code else None) == (pointer, code), name
    assert "inches" in answers["inches"].content.decode()
    assert bench.get(address(bench)).json()["results"] == []


def test_drivers_record_and_read_the_checks_of_their_own_vehicles(bench: HttpBench, driver: Person) -> None:
    client = driver.client()
    stranger = bench.site.person("operator_contact", operator=bench.site.operator().pk).client()
    mine = bench.made(address(bench), body_of(bench, instrument=None), client)

    assert mine["recorded_by"] == str(driver.membership.pk)
    assert bench.get("/checks/", client).json()["results"] == [mine]
    assert bench.get("/checks/", stranger).json()["results"] == []
    assert bench.post(address(bench), body_of(bench), stranger).status_code == 404
    assert bench.get(f"/checks/{mine['id']}/", stranger).status_code == 404
    strike = {"reason": "Slip.", "replacement": {"height_mm": 486}}
    assert bench.post(f"/check-readings/{mine['readings'][0]['id']}/strike/", strike, client).status_code == 403


def test_a_driver_of_before_records_nothing_new(bench: HttpBench, driver: Person) -> None:
    vehicle = bench.get(f"/vehicles/{bench.vehicle.vin}/").json()
    handed_over = bench.manager.patch(
        f"{API}/vehicles/{bench.vehicle.vin}/",
        {"operator": str(bench.site.operator().pk)},
        format="json",
        headers={"If-Match": f'"{vehicle["version"]}"'},
    )
    assert handed_over.status_code == 200

    late = bench.post(address(bench), body_of(bench), driver.client())
    now = bench.post(address(bench), body_of(bench, taken_at=moment()), driver.client())

    assert (late.status_code, now.status_code) == (201, 403)
    assert "was not your operator's" in now.json()["detail"]


def test_a_program_needs_the_scope_for_it(site: Site, bench: HttpBench) -> None:
    reader = site.person("integrator", scopes=["read"]).client()
    feeder = site.person("integrator", scopes=["read", "checks:write"]).client()

    assert bench.post(address(bench), body_of(bench), reader).status_code == 403
    assert bench.post(address(bench), body_of(bench), feeder).status_code == 201


def test_a_struck_reading_stays_and_its_replacement_counts(bench: HttpBench) -> None:
    check = bench.made(address(bench), body_of(bench, {**ON_TARGET, "FL": 586}))
    strike_address = f"/check-readings/{check['readings'][0]['id']}/strike/"
    body = {"id": str(new_id()), "reason": "Wrong mark.", "replacement": {"height_mm": 486}}

    own = bench.post(strike_address, body)
    struck, again = (bench.post(strike_address, body, bench.manager) for _ in "ab")

    assert own.status_code == 403
    assert (struck.status_code, again.status_code) == (201, 200)
    assert struck.json() == again.json() == bench.get(f"/checks/{check['id']}/").json()
    assert struck.json()["verdict"] == "within"
    assert [each["struck"] for each in struck.json()["readings"]] == [True, False, False, False, False]
    assert bench.get(strike_address).json()["reason"] == "Wrong mark."
    assert bench.post(strike_address, {**body, "id": str(new_id())}, bench.manager).status_code == 409


def test_photos_belong_to_a_check(bench: HttpBench, driver: Person) -> None:
    check = bench.made(address(bench), body_of(bench), driver.client())
    photos = f"/checks/{check['id']}/photos/"

    photo = bench.post(photos, upload(picture()), driver.client(), "multipart")
    no_picture = bench.post(photos, upload(b"text"), driver.client(), "multipart")

    assert (photo.status_code, no_picture.status_code) == (201, 422)
    assert bench.get(photos).json()["results"] == [photo.json()]
    assert bench.get(f"/check-photos/{photo.json()['id']}/", driver.client()).json() == photo.json()
    kept: Any = bench.client.get(photo.json()["file"])
    assert kept["Content-Type"] == "image/jpeg"
    assert len(b"".join(kept.streaming_content)) == photo.json()["size"]


def test_only_who_records_checks_may_and_others_find_nothing(bench: HttpBench) -> None:
    check = bench.made(address(bench), body_of(bench))
    who = {
        "nobody": APIClient(),
        "auditor": bench.site.person("auditor").client(),
        "another workshop": make_site().technician.client(),
    }
    addresses = [address(bench), f"/checks/{check['id']}/photos/"]
    strike = f"/check-readings/{check['readings'][0]['id']}/strike/"

    def recorded(client: APIClient) -> set[int]:
        kinds = ("json", "multipart")
        sent = [
            bench.post(each, body_of(bench) if kind == "json" else upload(picture()), client, kind).status_code
            for each, kind in zip(addresses, kinds, strict=True)
        ]
        return {*sent, bench.post(strike, {"reason": "r", "replacement": {"height_mm": 486}}, client).status_code}

    def read(client: APIClient) -> set[int]:
        return {bench.get(each, client).status_code for each in (*addresses, f"/checks/{check['id']}/")}

    assert {name: recorded(client) for name, client in who.items()} == {
        "nobody": {401},
        "auditor": {403},
        "another workshop": {404},
    }
    assert {name: read(client) for name, client in who.items()} == {
        "nobody": {401},
        "auditor": {200},
        "another workshop": {404},
    }
    assert len(bench.get(address(bench)).json()["results"]) == 1


def test_a_list_takes_the_same_queries_whatever_its_length(
    bench: HttpBench, django_assert_max_num_queries: Any
) -> None:
    for minutes in range(2, 8):
        bench.made(address(bench), body_of(bench, taken_at=moment(-minutes)))
    bench.get(address(bench))
    with django_assert_max_num_queries(12):
        assert len(bench.get(address(bench)).json()["results"]) == 6
