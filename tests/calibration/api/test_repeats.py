"""What a tablet sends again is carried out once, and an id is never used for something else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from fleet.ids import new_id
from tests.calibration.api.http_bench import ON_TARGET, ONE_HIGH, READY, SETPOINTS, HttpBench, moment
from tests.calibration.api.test_proposals import CONCESSION

Request = tuple[str, dict[str, Any], dict[str, Any]]
"""Address, body, and what makes the body another one."""


def _opening(bench: HttpBench) -> Request:
    body = {"vehicle": bench.vehicle.vin, "reason": "routine", "odometer_km": 486}
    return "/jobs/", body, {"odometer_km": 487}


def _readiness(bench: HttpBench) -> Request:
    bench.open_job()
    return f"/jobs/{bench.job}/readiness/", {"checks": READY}, {"checks": {"floor": {"outcome": "fail"}}}


def _round(bench: HttpBench) -> Request:
    bench.open_job()
    return f"/jobs/{bench.job}/rounds/", bench.round_body(), {"settled": False}


def _readings(bench: HttpBench) -> Request:
    measured = bench.measured()
    body = {"readings": [{"corner": "FL", "height_mm": 486}]}
    return f"/rounds/{measured['id']}/readings/", body, {"readings": [{"corner": "FL", "height_mm": 487}]}


def _strike(bench: HttpBench) -> Request:
    bench.open_job()
    measured = bench.measure(settled=False)
    body = {"reason": "Wrong mark.", "replacement": {"height_mm": 486}}
    return f"/readings/{measured['readings'][0]['id']}/strike/", body, {"reason": "Another."}


def _proposal(bench: HttpBench) -> Request:
    bench.measured(ONE_HIGH)
    return f"/jobs/{bench.job}/proposals/", {}, {"setpoints": {**SETPOINTS, "FL": 120}, "justification": "Try."}


def _write(bench: HttpBench) -> Request:
    bench.measured(ONE_HIGH)
    body = {"written_at": moment(), "read_back": {**SETPOINTS, "FL": 118}}
    return f"/jobs/{bench.job}/writes/", body, {"read_back": SETPOINTS}


def _concession(bench: HttpBench) -> Request:
    bench.measured(ONE_HIGH)
    return f"/jobs/{bench.job}/concession/", CONCESSION, {"front_target_mm": 477}


def _reversion(bench: HttpBench) -> Request:
    bench.measured(ONE_HIGH)
    bench.write(read_back={**SETPOINTS, "FL": 118})
    return f"/jobs/{bench.job}/reversion/", {"reason": "Back."}, {"reason": "Another."}


def _pause(bench: HttpBench) -> Request:
    bench.open_job()
    return f"/jobs/{bench.job}/pause/", {"reason": "Parts."}, {"reason": "Another."}


def _resumption(bench: HttpBench) -> Request:
    bench.open_job()
    bench.made(f"/jobs/{bench.job}/pause/", {"reason": "Parts."})
    body = {"reason": "Here.", "setpoints": SETPOINTS, "nothing_changed": True}
    return f"/jobs/{bench.job}/resumption/", body, {"nothing_changed": False}


def _end(bench: HttpBench) -> Request:
    bench.measured(ONE_HIGH)
    return f"/jobs/{bench.job}/end/", {"reason": "Stop.", "setpoints": SETPOINTS}, {"setpoints": None}


def _sign_off(bench: HttpBench) -> Request:
    shown = bench.adjusted()["content_sha256"]
    return f"/jobs/{bench.job}/sign-off/", {"pin": "4711", "content_sha256": shown}, {"remark": "Another."}


def _refiling(bench: HttpBench) -> Request:
    bench.measured(ON_TARGET)
    bench.client = bench.manager
    return f"/jobs/{bench.job}/refiling/", {"vehicle": bench.site.vehicle().vin, "reason": "Wrong."}, {"reason": "No."}


def _ruling(bench: HttpBench) -> Request:
    bench.measured(ONE_HIGH)
    [finding] = bench.write(read_back={**SETPOINTS, "FL": 118})["findings"]
    bench.client = bench.manager
    body = {"finding": finding["id"], "decision": "accept", "reason": "Seen."}
    return f"/jobs/{bench.job}/rulings/", body, {"decision": "reject"}


def _decision(bench: HttpBench) -> Request:
    bench.measured(ONE_HIGH)
    approval = bench.propose(setpoints={**SETPOINTS, "RR": 121}, justification="Try.")["approval"]
    shown = bench.get(f"/approvals/{approval}/").json()["content_sha256"]
    bench.client = bench.manager
    body = {"decision": "approve", "reason": "Seen.", "content_sha256": shown}
    return f"/approvals/{approval}/decision/", body, {"decision": "refuse"}


def _baseline_reset(bench: HttpBench) -> Request:
    bench.client = bench.manager
    return (
        f"/vehicles/{bench.vehicle.vin}/baseline-reset/",
        {"corners": ["FL", "RR"], "reason": "New."},
        {"corners": ["FL"]},
    )


RECORDING: list[Callable[[HttpBench], Request]] = [
    _opening, _readiness, _round, _readings, _strike, _proposal, _write, _concession, _reversion, _baseline_reset,
]  # fmt: skip
NAMED_BY_THE_REQUEST = [*(each for each in RECORDING if each not in (_readings, _strike)), _ruling]
"""What answers with the record whose id the request made."""
ACTING = [_pause, _resumption, _end, _sign_off, _refiling, _ruling, _decision]


@pytest.mark.parametrize("prepare", [*RECORDING, *ACTING], ids=lambda each: each.__name__.strip("_"))
def test_a_request_sent_again_is_carried_out_once(bench: HttpBench, prepare: Callable[[HttpBench], Request]) -> None:
    address, body, otherwise = prepare(bench)
    body = {"id": str(new_id()), **body}

    first = bench.post(address, body)
    again = bench.post(address, body)
    other = bench.post(address, {**body, **otherwise})

    assert first.status_code == (201 if prepare in RECORDING else 200), first.content
    assert again.status_code == 200, again.content
    assert again.json() == first.json()
    assert (other.status_code, other.json()["type"]) == (409, "id_reused")
    assert prepare not in NAMED_BY_THE_REQUEST or first.json()["id"] == body["id"]


def test_a_round_written_otherwise_is_the_same_round(bench: HttpBench) -> None:
    """486 is 486.0, an instant is the same in every offset, a default may be left out."""
    bench.open_job()
    body = {"id": str(new_id()), **bench.round_body(taken_at="2026-05-04T09:30:00+02:00")}
    bench.made(f"/jobs/{bench.job}/rounds/", body)

    again = bench.post(
        f"/jobs/{bench.job}/rounds/", {**body, "taken_at": "2026-05-04T07:30:00.000Z", "ride_position": "normal"}
    )

    assert again.status_code == 200


def test_a_round_sent_again_after_refiling_to_another_kind_of_vehicle_is_still_known(bench: HttpBench) -> None:
    bench.open_job()
    body = {"id": str(new_id()), **bench.round_body()}
    bench.made(f"/jobs/{bench.job}/rounds/", body)
    bare = {"target_mm": 486, "tolerance_mm": 6}
    van = bench.site.specification(front=bare, controlled_corners=["RL", "RR"]).vehicle_model
    vehicle = bench.site.vehicle(vehicle_model=van)
    bench.made(f"/jobs/{bench.job}/refiling/", {"vehicle": vehicle.vin, "reason": "Wrong."}, bench.manager)

    assert bench.post(f"/jobs/{bench.job}/rounds/", body).status_code == 200


def test_a_sign_off_sent_again_needs_no_right_pin_and_stores_none(bench: HttpBench) -> None:
    address, body, _otherwise = _sign_off(bench)
    body = {"id": str(new_id()), **body}
    bench.made(address, body)

    assert bench.post(address, {**body, "pin": "0000"}).status_code == 200


def test_an_id_used_for_one_thing_is_refused_for_another(bench: HttpBench) -> None:
    job = bench.open_job(id=str(new_id()))

    response = bench.post(f"/jobs/{bench.job}/readiness/", {"id": job["id"], "checks": READY})

    assert (response.status_code, response.json()["type"]) == (409, "id_reused")
