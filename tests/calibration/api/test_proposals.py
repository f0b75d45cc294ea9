"""Proposals, concessions, reversions and approvals over HTTP."""

from __future__ import annotations

from typing import Any

import pytest

from tests.calibration.api.http_bench import ON_TARGET, ONE_HIGH, SETPOINTS, HttpBench
from tests.calibration.api.test_jobs import errors_of
from tests.factories import Site

CONCESSION = {
    "front_target_mm": 478,
    "rear_target_mm": 496,
    "reason": "Ramp clearance at the operator's port.",
    "acknowledged_by": "Ines Falk, fleet office",
    "acknowledged_on": "2026-05-03",
}


def entered(setpoints: dict[str, int], reason: str = "As the bulletin says.") -> dict[str, Any]:
    return {"setpoints": setpoints, "justification": reason}


def test_a_computed_proposal_says_what_to_write_and_why(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)

    proposal = bench.propose()

    assert (proposal["kind"], proposal["outcome"], proposal["approval"]) == ("computed", "allowed", None)
    assert proposal["from_setpoints"] == SETPOINTS
    assert proposal["to_setpoints"]["FL"] == proposal["changes"]["FL"]["to"] < SETPOINTS["FL"]
    assert proposal["changes"]["FL"]["reason"]
    assert (proposal["prior"]["source"], proposal["prior"]["vehicles"]) == ("specification", 0)
    assert "taken from the specification" in proposal["prior"]["detail"]
    assert {each["outcome"] for each in proposal["limits"]} == {"pass"}
    assert bench.get(f"/proposals/{proposal['id']}/").json() == proposal
    assert bench.get(f"/jobs/{bench.job}/proposals/").json()["results"] == [proposal]
    job = bench.state()
    assert job["proposal"] == proposal
    assert (job["next_step"], job["next_step_detail"]["corners"]) == ("write", ["FL"])


def test_a_proposal_out_of_turn_names_the_next_step(bench: HttpBench) -> None:
    bench.open_job()

    unready = bench.post(f"/jobs/{bench.job}/proposals/")
    bench.make_ready()
    unmeasured = bench.post(f"/jobs/{bench.job}/proposals/", entered(SETPOINTS))

    assert (unready.status_code, unready.json()["next_step"]) == (409, "check_readiness")
    assert (unmeasured.status_code, unmeasured.json()["next_step"]) == (409, "measure")


@pytest.mark.parametrize(
    ("body", "pointer", "code"),
    [
        ({"setpoints": SETPOINTS}, "/justification", "required"),
        ({"justification": "Because."}, "/setpoints", "required"),
        (entered({**SETPOINTS, "FL": 120}, "  "), "/justification", "blank"),
        (entered({"FL": 120}), "/setpoints/FR", "required"),
        (entered(SETPOINTS), "/setpoints", "no_change"),
        (entered({**SETPOINTS, "ML": 1}), "/setpoints/ML", "unknown_corner"),
    ],
)
def test_an_entered_proposal_that_is_not_valid_is_refused(
    bench: HttpBench, body: dict[str, Any], pointer: str, code: str
) -> None:
    bench.measured(ONE_HIGH)

    response = bench.post(f"/jobs/{bench.job}/proposals/", body)

    assert response.status_code == 422
    assert (pointer, code) in errors_of(response)


def test_an_entered_proposal_must_keep_linked_corners_equal(site: Site) -> None:
    model = site.specification(linked_corners=[["RL", "RR"]]).vehicle_model
    bench = HttpBench.of(site, site.vehicle(vehicle_model=model))
    bench.setpoints = {**SETPOINTS, "RL": 120, "RR": 120}
    bench.measured(ONE_HIGH)

    response = bench.post(f"/jobs/{bench.job}/proposals/", entered({**bench.setpoints, "RL": 118}))

    assert errors_of(response) == {("/setpoints/RR", "linked_corners")}


def test_a_proposal_beyond_a_hard_limit_is_recorded_as_refused(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)

    proposal = bench.propose(**entered({**SETPOINTS, "FL": 90}))

    assert proposal["outcome"] == "refused"
    assert [each["code"] for each in proposal["limits"] if each["outcome"] == "refuse"] == ["step"]
    assert bench.state()["proposal"] is None


def test_moving_a_corner_that_nothing_frees_waits_for_another_person(site: Site, bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    proposal = bench.propose(**entered({**SETPOINTS, "RR": 121}))

    [approval] = bench.get("/approvals/", state="open").json()["results"]
    job = bench.state()
    decision = {"decision": "approve", "reason": "Looked at it.", "content_sha256": approval["content_sha256"]}
    by_technician = bench.post(f"/approvals/{approval['id']}/decision/", decision)
    stale = bench.post(
        f"/approvals/{approval['id']}/decision/", {**decision, "content_sha256": "0" * 64}, bench.manager
    )
    decided = bench.made(f"/approvals/{approval['id']}/decision/", decision, bench.manager)

    assert (proposal["outcome"], proposal["approval"]) == ("needs_approval", approval["id"])
    assert (approval["subject"], approval["proposal"], approval["state"]) == ("proposal", proposal["id"], "open")
    assert (job["next_step"], job["approval"]) == ("get_approval", approval)
    assert by_technician.status_code == 403
    assert (stale.status_code, stale.json()["type"]) == (409, "record_changed")
    assert (decided["state"], decided["decision"]["reason"]) == ("approved", "Looked at it.")
    assert decided["decision"]["recorded_by"] == str(site.manager.membership.pk)
    assert bench.get(f"/approvals/{approval['id']}/").json() == decided
    assert bench.state()["next_step"] == "write"


def test_who_took_part_does_not_approve(site: Site) -> None:
    bench = HttpBench.of(site, person=site.manager)
    bench.measured(ONE_HIGH)
    approval = bench.propose(**entered({**SETPOINTS, "RR": 121}))["approval"]
    shown = bench.get(f"/approvals/{approval}/").json()["content_sha256"]

    response = bench.post(
        f"/approvals/{approval}/decision/", {"decision": "approve", "reason": "Mine.", "content_sha256": shown}
    )

    assert (response.status_code, response.json()["type"]) == (403, "not_independent")


def test_approvals_are_listed_by_state(site: Site, bench: HttpBench) -> None:
    def waiting(each: HttpBench) -> str:
        each.measured(ONE_HIGH)
        return str(each.propose(**entered({**SETPOINTS, "RR": 121}))["approval"])

    def listed(**query: str) -> set[str]:
        return {each["id"] for each in bench.get("/approvals/", **query).json()["results"]}

    benches = [bench, HttpBench.of(site), HttpBench.of(site), HttpBench.of(site)]
    is_open, approved, refused, void = (waiting(each) for each in benches)
    for approval, decision in ((approved, "approve"), (refused, "refuse")):
        shown = bench.get(f"/approvals/{approval}/").json()["content_sha256"]
        body = {"decision": decision, "reason": "Looked at it.", "content_sha256": shown}
        bench.made(f"/approvals/{approval}/decision/", body, bench.manager)
    benches[3].measure(ON_TARGET)

    assert listed(state="open") == {is_open}
    assert listed(state="approved") == {approved}
    assert listed(state="refused") == {refused}
    assert listed(state="void") == {void}
    assert listed() == {is_open, approved, refused, void}
    assert listed(job=bench.job) == listed(vehicle=bench.vehicle.vin) == {is_open}
    assert listed(subject="concession") == set()
    assert bench.get("/approvals/", state="waiting").status_code == 422
    closed = bench.post(
        f"/approvals/{void}/decision/",
        {"decision": "approve", "reason": "Late.", "content_sha256": "0" * 64},
        bench.manager,
    )
    assert (closed.status_code, closed.json()["type"]) == (409, "approval_closed")


def test_a_concession_sets_other_targets_once_it_is_approved(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)

    concession = bench.made(f"/jobs/{bench.job}/concession/", CONCESSION)
    before = bench.state()
    shown = before["approval"]["content_sha256"]
    decision = {"decision": "approve", "reason": "Operator wrote.", "content_sha256": shown}
    bench.made(f"/approvals/{concession['approval']}/decision/", decision, bench.manager)
    after = bench.state()

    assert (before["next_step"], before["concession"]) == ("get_approval", None)
    assert after["concession"] == bench.get(f"/jobs/{bench.job}/concession/{concession['id']}/").json()
    assert after["concession"]["front_target_mm"] == 478
    assert after["assessment"]["corners"]["FL"]["target_mm"] == 478
    assert "altered_height" in {each["code"] for each in after["cautions"]}


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"front_target_mm": 0}, "/front_target_mm"),
        ({"rear_target_mm": None}, "/rear_target_mm"),
        ({"acknowledged_on": "3 May"}, "/acknowledged_on"),
        ({"acknowledged_on": "2099-01-01"}, "/acknowledged_on"),
        ({"acknowledged_by": ""}, "/acknowledged_by"),
        ({"reason": "\u202eabc"}, "/reason"),
    ],
)
def test_a_concession_that_is_not_valid_is_refused(bench: HttpBench, change: dict[str, Any], pointer: str) -> None:
    bench.measured(ONE_HIGH)

    response = bench.post(f"/jobs/{bench.job}/concession/", {**CONCESSION, **change})

    assert response.status_code == 422
    assert {each["pointer"] for each in response.json()["errors"]} == {pointer}


def test_a_reversion_leads_back_to_the_set_points_found(bench: HttpBench) -> None:
    bench.measured(ONE_HIGH)
    bench.write(bench.propose())
    bench.measure(ON_TARGET)

    back = bench.made(f"/jobs/{bench.job}/reversion/", {"reason": "The operator wants the earlier height."})
    [decided] = bench.get(f"/jobs/{bench.job}/reversion/").json()["results"]
    bench.write(back)
    bench.measure(ONE_HIGH)

    assert (back["kind"], back["to_setpoints"]) == ("reversion", SETPOINTS)
    assert decided["goal"] == SETPOINTS
    assert bench.state()["state"] == "reverted"


def test_nothing_is_to_be_reverted_before_anything_was_read(bench: HttpBench) -> None:
    bench.open_job()

    response = bench.post(f"/jobs/{bench.job}/reversion/", {"reason": "Back."})

    assert (response.status_code, response.json()["type"]) == (409, "nothing_recorded")
