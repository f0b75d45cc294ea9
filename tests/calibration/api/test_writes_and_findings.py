"""Writes, the findings they give rise to, and a manager's rulings over HTTP."""

from __future__ import annotations

import pytest

from fleet.ids import new_id
from tests.calibration.api.http_bench import ONE_HIGH, SETPOINTS, HttpBench, moment
from tests.calibration.api.test_jobs import errors_of
from tests.factories import Site


def test_a_write_read_back_as_proposed_is_verified(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    proposal = bench.propose()

    write = bench.write(proposal)

    assert (write["verified"], write["mismatches"], write["findings"]) == (True, [], [])
    assert bench.get(f"/writes/{write['id']}/").json() == write
    assert bench.get(f"/jobs/{bench.job}/writes/").json()["results"] == [write]
    assert bench.get("/writes/", vehicle=bench.vehicle.vin).json()["results"] == [write]
    assert bench.state()["writes"] == [write]


def test_a_write_read_back_otherwise_names_the_corners_and_is_to_be_written_again(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    proposal = bench.propose()

    write = bench.write(proposal, read_back={**proposal["to_setpoints"], "RR": 7})

    assert (write["verified"], write["mismatches"]) == (False, ["RR"])
    assert ("write_not_verified", "RR") in {(each["code"], each.get("corner")) for each in write["findings"]}
    assert bench.state()["next_step"] == "write"


def test_a_write_without_a_proposal_is_a_fact_that_a_manager_rules_on(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    write = bench.write(read_back={**SETPOINTS, "FL": 118})
    [finding] = write["findings"]
    body = {"finding": finding["id"], "decision": "accept", "reason": "Written before the tablet was at hand."}

    by_technician = bench.post(f"/jobs/{bench.job}/rulings/", body)
    ruling = bench.made(f"/jobs/{bench.job}/rulings/", body, bench.manager)
    again = bench.post(f"/jobs/{bench.job}/rulings/", body, bench.manager)

    assert (finding["code"], finding["severity"]) == ("write_without_proposal", "review")
    assert write["verified"] is None, "nothing was wanted that it could be compared with"
    assert by_technician.status_code == 403
    assert (ruling["finding"], ruling["decision"]) == (finding["id"], "accept")
    assert (again.status_code, again.json()["type"]) == (409, "ruled_already")
    [shown] = [each for each in bench.state()["findings"] if each["id"] == finding["id"]]
    assert (shown["ruling"], shown["in_force"]) == (ruling, False)
    assert bench.get(f"/jobs/{bench.job}/rulings/{ruling['id']}/").json() == ruling
    assert bench.get(f"/jobs/{bench.job}/findings/{finding['id']}/").json()["ruling"] == ruling
    assert bench.get(f"/writes/{write['id']}/").json()["findings"][0]["ruling"] == ruling


def test_a_ruling_on_a_finding_of_another_job_is_refused(site: Site, bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    [finding] = bench.write(read_back={**SETPOINTS, "FL": 118})["findings"]
    other = HttpBench.of(site)
    other.open_job()
    body = {"finding": finding["id"], "decision": "accept", "reason": "Seen."}

    misplaced = other.post(f"/jobs/{other.job}/rulings/", body, bench.manager)
    unknown = other.post(f"/jobs/{other.job}/rulings/", {**body, "finding": str(new_id())}, bench.manager)

    assert errors_of(misplaced) == {("/finding", "other_job")}
    assert errors_of(unknown) == {("/finding", "does_not_exist")}


@pytest.mark.parametrize(
    ("change", "pointer", "code"),
    [
        ({"read_back": {**SETPOINTS, "FL": "118"}}, "/read_back/FL", "not_a_number"),
        ({"read_back": {"FL": 118}}, "/read_back/FR", "corner_missing"),
        ({"written_at": "2026-05-04 09:30"}, "/written_at", "not_a_time"),
        ({"proposal": "019b1d2e-0000-7000-8000-000000000001"}, "/proposal", "does_not_exist"),
    ],
)
def test_a_malformed_write_is_refused(bench: HttpBench, change: dict[str, object], pointer: str, code: str) -> None:
    bench.measured(ONE_HIGH)
    body = {"written_at": moment(), "read_back": SETPOINTS, **change}

    response = bench.post(f"/jobs/{bench.job}/writes/", body)

    assert response.status_code == 422
    assert (pointer, code) in errors_of(response)
    assert bench.get(f"/jobs/{bench.job}/writes/").json()["results"] == []


def test_a_write_of_another_jobs_proposal_is_refused(site: Site, bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    proposal = bench.propose()
    other = HttpBench.of(site)
    other.measured(ONE_HIGH)
    body = {"proposal": proposal["id"], "written_at": moment(), "read_back": SETPOINTS}

    assert errors_of(other.post(f"/jobs/{other.job}/writes/", body)) == {("/proposal", "other_job")}
