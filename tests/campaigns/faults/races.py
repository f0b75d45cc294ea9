"""Many clients at once over HTTP. Each function gives what it found wrong, in sentences."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, Final

import httpx
from uuid_utils.compat import uuid7

from reports.demo.simulated_vehicle import CORNER_NAMES
from tests.campaigns.faults.interruptions import Bench
from tests.campaigns.faults.tablets import moment
from tests.plain_http import TRUSTING_NOBODY
from tests.simulator.http_api import BASE
from tests.simulator.http_technician import READINESS_ITEMS, HttpTechnician

CLIENTS: Final = 50
FEW: Final = 8
SETPOINTS: Final = {"FL": 120, "FR": 120, "RL": 118, "RR": 121}
ON_TARGET: Final = {"FL": 486, "FR": 486, "RL": 504, "RR": 504}
ONE_HIGH: Final = {**ON_TARGET, "FL": 498}
MOST_ROUNDS: Final = 6

Request = Callable[[httpx.Client], httpx.Response]


def at_once(bench: Bench, token: str, requests: Sequence[Request]) -> list[httpx.Response]:
    """The answers of requests that are sent together, each over a connection of its own."""
    answers: list[httpx.Response | None] = [None] * len(requests)
    start = threading.Barrier(len(requests))

    def send(index: int) -> None:
        with httpx.Client(
            base_url=bench.service.url, headers=_headers(token), timeout=120, verify=TRUSTING_NOBODY
        ) as client:
            start.wait(60)
            answers[index] = requests[index](client)

    threads = [threading.Thread(target=send, args=(index,)) for index in range(len(requests))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(180)
    return [answer for answer in answers if answer is not None]


def same_id_same_content(bench: Bench, clients: int = CLIENTS) -> list[str]:
    """A vehicle under one id from all clients: one makes it, all get the same record."""
    body = {"id": str(uuid7()), **bench.vehicle_body()}
    answers = at_once(bench, bench.shop.token, [_post("/vehicles/", body)] * clients)
    records = {answer.text for answer in answers}
    kept = bench.query("SELECT count(*) FROM fleet_vehicle WHERE id = %s OR vin = %s", body["id"], body["vin"])
    entered = bench.query("SELECT count(*) FROM fleet_ledgerentry WHERE record_id = %s", body["id"])
    found = [] if (kept, entered) == ([(1,)], [(1,)]) else [f"kept {kept}, in the ledger {entered}"]
    found += [] if len(records) == 1 else [f"{len(records)} different answers"]
    return found + _unless(answers, {201: 1, 200: clients - 1})


def same_round_from_all(bench: Bench, clients: int = FEW) -> list[str]:
    """A step of many rows under one id: a round with its readings, findings and assessment."""
    technician, job = _job_made_ready(bench)
    body = {"id": str(uuid7()), **round_body(technician, ON_TARGET)}
    path = f"/jobs/{job}/rounds/"
    answers = at_once(bench, technician.api.token, [_post(path, body)] * clients)
    readings = bench.query("SELECT count(*) FROM calibration_reading WHERE round_id = %s", body["id"])
    found = [] if readings == [(8,)] else [f"readings kept: {readings}"]
    return found + _unless(answers, {201: 1, 200: clients - 1})


def same_id_other_content(bench: Bench, clients: int = CLIENTS) -> list[str]:
    """One id for different vehicles: one is kept, the others are told so."""
    body = {"id": str(uuid7()), **bench.vehicle_body()}
    requests = [_post("/vehicles/", {**body, "registration": f"RACE {number}"}) for number in range(clients)]
    answers = at_once(bench, bench.shop.token, requests)
    return _unless(answers, {201: 1, 409: clients - 1})


def two_jobs(bench: Bench, clients: int = FEW) -> list[str]:
    """Several clients receive one vehicle: one opens its job."""
    vehicle = bench.shop.http.vehicle(bench.shop.model)
    bodies = [
        {"id": str(uuid7()), "vehicle": vehicle, "reason": "routine", "odometer_km": 1000} for _ in range(clients)
    ]
    answers = at_once(bench, bench.shop.token, [_post("/jobs/", body) for body in bodies])
    query = "SELECT count(*) FROM calibration_job j JOIN fleet_vehicle v ON v.id = j.vehicle_id WHERE v.vin = %s"
    jobs = bench.query(query, vehicle)
    found = [] if jobs == [(1,)] else [f"open jobs: {jobs}"]
    return found + _unless(answers, {201: 1, 409: clients - 1})


def two_sign_offs(bench: Bench, clients: int = FEW) -> list[str]:
    """Several signatures under one job: one counts."""
    technician, job = _job_made_ready(bench)
    shown = _measured_until(technician, job, "sign_off", ON_TARGET)["content_sha256"]
    bodies = [{"id": str(uuid7()), "pin": technician.pin, "content_sha256": shown} for _ in range(clients)]
    answers = at_once(bench, technician.api.token, [_post(f"/jobs/{job}/sign-off/", body) for body in bodies])
    signed = bench.query("SELECT count(*) FROM calibration_signoff WHERE job_id = %s", job)
    asked = bench.query(
        "SELECT count(*) FROM fleet_outboxitem WHERE kind = 'calibration.job_signed_off' AND payload->>'job' = %s", job
    )
    found = [] if (signed, asked) == ([(1,)], [(1,)]) else [f"signatures {signed}, certificates asked for {asked}"]
    return found + _unless(answers, {200: 1, 409: clients - 1})


def two_writes(bench: Bench) -> list[str]:
    """Two tablets record different read-backs of one proposal: both are facts, their conflict awaits a ruling."""
    technician, job = _job_made_ready(bench)
    _measured_until(technician, job, "propose", ONE_HIGH)
    proposal = technician.api.post(f"/jobs/{job}/proposals/")
    wanted = {**SETPOINTS, **{corner: change["to"] for corner, change in proposal["changes"].items()}}
    other = {**wanted, "RR": wanted["RR"] + 3}
    common = {"proposal": proposal["id"], "written_at": moment()}
    bodies = [{"id": str(uuid7()), **common, "read_back": read_back} for read_back in (wanted, other)]
    answers = at_once(bench, technician.api.token, [_post(f"/jobs/{job}/writes/", body) for body in bodies])
    kept = bench.query("SELECT count(*) FROM calibration_write WHERE job_id = %s", job)
    codes = {finding["code"] for finding in technician.api.get(f"/jobs/{job}/")["findings"]}
    found = [] if "writes_conflict" in codes else [f"no conflict of writes among {sorted(codes)}"]
    found += [] if kept == [(2,)] else [f"writes kept: {kept}"]
    return found + _unless(answers, {201: 2})


def one_version(bench: Bench, clients: int = FEW) -> list[str]:
    """Several changes of one version of a vehicle: one is stored."""
    vehicle = bench.shop.http.vehicle(bench.shop.model)
    path = f"/vehicles/{vehicle}/"

    def change(number: int) -> Request:
        return lambda client: client.patch(
            f"{BASE}{path}", json={"registration": f"V {number}"}, headers={"If-Match": '"1"'}
        )

    answers = at_once(bench, bench.shop.token, [change(number) for number in range(clients)])
    return _unless(answers, {200: 1, 412: clients - 1})


def round_body(technician: HttpTechnician, heights: dict[str, int]) -> dict[str, Any]:
    readings = [{"corner": corner, "height_mm": heights[corner]} for corner in CORNER_NAMES for _ in range(2)]
    body = {"taken_at": moment(), "instrument": technician.instrument, "settled": True}
    return {**body, "setpoints": SETPOINTS, "readings": readings}


def _job_made_ready(bench: Bench) -> tuple[HttpTechnician, str]:
    technician = bench.shop.http.technician()
    vehicle = bench.shop.http.vehicle(bench.shop.model)
    body = {"vehicle": vehicle, "reason": "routine", "odometer_km": 48210}
    job = str(technician.api.post("/jobs/", body)["id"])
    checks = {item: {"outcome": "pass"} for item in READINESS_ITEMS}
    technician.api.post(f"/jobs/{job}/readiness/", {"checks": checks})
    return technician, job


def _measured_until(technician: HttpTechnician, job: str, step: str, heights: dict[str, int]) -> Any:
    """Measure until this is the next step."""
    for _ in range(MOST_ROUNDS):
        technician.api.post(f"/jobs/{job}/rounds/", round_body(technician, heights))
        shown = technician.api.get(f"/jobs/{job}/")
        if shown["next_step"] == step:
            return shown
    raise AssertionError(f"{MOST_ROUNDS} rounds, and the next step is {shown['next_step']}, not {step}")


def _post(path: str, body: dict[str, Any]) -> Request:
    return lambda client: client.post(f"{BASE}{path}", json=body)


def _headers(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def _unless(answers: Sequence[httpx.Response], expected: dict[int, int]) -> list[str]:
    counted = Counter(answer.status_code for answer in answers)
    return [] if counted == expected else [f"answers {dict(counted)} where {expected} was expected"]
