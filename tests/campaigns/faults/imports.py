"""Imports over HTTP on the real service: confirmed by many at once, and with the worker killed in the middle.

Each function gives what it found wrong, in sentences; where the worker is killed, the service has `slow_import` on.
"""

from __future__ import annotations

import time
from collections import Counter
from typing import Any, Final

import httpx
from uuid_utils.compat import uuid7

from deploy.embedded.process import wait_until
from tests.campaigns.faults import seeded
from tests.campaigns.faults.interruptions import Bench, kill_family
from tests.campaigns.faults.races import Request, at_once
from tests.reports.imports import check_row, csv_of
from tests.simulator.http_api import BASE

CLIENTS: Final = 20
ROWS: Final = 600
"""Two pieces."""
PATIENCE_S: Final = 120.0
ENDED: Final = ("done", "failed", "cancelled")


def confirmed_by_all(bench: Bench) -> list[str]:
    """One import under one id from all clients: it runs once."""
    vehicle, key = bench.shop.http.vehicle(bench.shop.model), str(uuid7())
    answers = at_once(bench, bench.shop.token, [_confirm(vehicle, key)] * CLIENTS)
    statuses = Counter(answer.status_code for answer in answers)
    found = [] if statuses == {202: 1, 200: CLIENTS - 1} else [f"answers {dict(statuses)}"]
    return [*found, *_unless_recorded_once(bench, vehicle, key)]


def worker_killed_in_an_import(bench: Bench, *, atomic: bool) -> list[str]:
    """Its worker is killed with the rows of a piece in the database; the work is taken up again."""
    vehicle, key = bench.shop.http.vehicle(bench.shop.model), str(uuid7())
    with httpx.Client(base_url=bench.service.url, headers=bench.headers, timeout=60) as client:
        assert _confirm(vehicle, key, atomic=str(atomic).lower())(client).status_code == 202
    assert wait_until(lambda: _records(bench, key), PATIENCE_S), "no worker took the work"
    time.sleep(seeded.SLOW_S / 3)
    kill_family(bench.service, "worker")
    (half,) = bench.query("SELECT count(*) FROM calibration_heightcheck c, fleet_vehicle v WHERE" + _OF, vehicle)
    bench.change("UPDATE fleet_outboxitem SET leased_until = now() WHERE state = 'waiting' AND" + _ITEM, key)
    problems = [f"half of a piece was left behind: {half[0]} rows"] if half[0] % 500 else []
    return [*problems, *_unless_recorded_once(bench, vehicle, key)]


_OF: Final = " c.vehicle_id = v.id AND v.vin = %s"
_ITEM: Final = " kind = 'reports.import_go_on' AND payload->>'import' = %s"


def _confirm(vehicle: str, key: str, **fields: Any) -> Request:
    rows = [check_row(vehicle, f"2024-03-01T{n // 60:02}:{n % 60:02}:00Z") for n in range(ROWS)]
    content = csv_of(rows)

    def send(client: httpx.Client) -> httpx.Response:
        data = {"id": key, "kind": "checks", **fields}
        return client.post(f"{BASE}/imports/", data=data, files={"file": ("checks.csv", content, "text/csv")})

    return send


def _records(bench: Bench, key: str) -> bool:
    """Whether a worker has taken a piece that is not just looked through."""
    taken = "SELECT count(*) FROM fleet_outboxitem WHERE state = 'waiting' AND leased_until > now() AND" + _ITEM
    recording = bench.query("SELECT count(*) FROM reports_import WHERE id = %s AND phase = 'recording'", key)
    return bool(recording == [(1,)] and bench.query(taken, key)[0][0])


def _unless_recorded_once(bench: Bench, vehicle: str, key: str) -> list[str]:
    state = "SELECT state FROM reports_import WHERE id = %s"
    wait_until(lambda: bench.query(state, key)[0][0] in ENDED, PATIENCE_S)
    (told,) = bench.query("SELECT state, accepted, known, rejected FROM reports_import WHERE id = %s", key)
    checks = bench.query("SELECT count(*) FROM calibration_heightcheck c, fleet_vehicle v WHERE" + _OF, vehicle)
    readings = bench.query(
        "SELECT count(*) FROM calibration_heightcheckreading r, calibration_heightcheck c, fleet_vehicle v"
        " WHERE r.height_check_id = c.id AND" + _OF,
        vehicle,
    )
    found = [] if told == ("done", ROWS, 0, 0) else [f"the import says {told}"]
    recorded = (checks[0][0], readings[0][0])
    return found if recorded == (ROWS, 4 * ROWS) else [*found, f"recorded checks and readings: {recorded}"]
