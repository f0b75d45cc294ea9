"""Imports over HTTP on the real service: confirmed by many at once, and with the worker killed in the middle.

Each function gives what it found wrong, in sentences; where the worker is killed, the service has `slow_import` on.
"""

from __future__ import annotations

from collections import Counter
from typing import Any, Final

import httpx
from uuid_utils.compat import uuid7

from deploy.embedded.process import wait_until
from tests.campaigns.faults import seeded
from tests.campaigns.faults.interruptions import Bench, kill_family
from tests.campaigns.faults.races import Request, at_once
from tests.plain_http import TRUSTING_NOBODY
from tests.reports.imports import check_row, csv_of
from tests.simulator.http_api import BASE

CLIENTS: Final = 20
ROWS: Final = 600
"""Two pieces."""
PATIENCE_S: Final = 120.0
ENDED: Final = ("done", "failed", "cancelled")
CHECKS: Final = (
    "SELECT count(*) FROM calibration_heightcheck c JOIN fleet_vehicle v ON v.id = c.vehicle_id WHERE vin = %s"
)
READINGS: Final = """
    SELECT count(*) FROM calibration_heightcheckreading r JOIN calibration_heightcheck c ON c.id = r.height_check_id
    JOIN fleet_vehicle v ON v.id = c.vehicle_id WHERE vin = %s
"""
LET_GO: Final = """
    UPDATE fleet_outboxitem SET leased_until = now()
    WHERE state = 'waiting' AND kind = 'reports.import_go_on' AND payload->>'import' = %s
"""
TOLD: Final = "SELECT state, accepted, known, rejected FROM reports_import WHERE id = %s"


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
    with httpx.Client(base_url=bench.service.url, headers=bench.headers, timeout=60, verify=TRUSTING_NOBODY) as client:
        assert _confirm(vehicle, key, atomic=str(atomic).lower())(client).status_code == 202
    held = bench.service.data.root / seeded.held("import", key, "recording")
    assert wait_until(held.exists, PATIENCE_S), "no worker took the work"
    kill_family(bench.service, "worker")
    (half,) = bench.query(CHECKS, vehicle)
    bench.change(LET_GO, key)
    problems = [f"half of a piece was left behind: {half[0]} rows"] if half[0] % 500 else []
    return [*problems, *_unless_recorded_once(bench, vehicle, key)]


def _confirm(vehicle: str, key: str, **fields: Any) -> Request:
    rows = [check_row(vehicle, f"2024-03-01T{n // 60:02}:{n % 60:02}:00Z") for n in range(ROWS)]
    content = csv_of(rows)

    def send(client: httpx.Client) -> httpx.Response:
        data = {"id": key, "kind": "checks", **fields}
        return client.post(f"{BASE}/imports/", data=data, files={"file": ("checks.csv", content, "text/csv")})

    return send


def _unless_recorded_once(bench: Bench, vehicle: str, key: str) -> list[str]:
    wait_until(lambda: bench.query(TOLD, key)[0][0] in ENDED, PATIENCE_S)
    (told,), checks, readings = bench.query(TOLD, key), bench.query(CHECKS, vehicle), bench.query(READINGS, vehicle)
    found = [] if told == ("done", ROWS, 0, 0) else [f"the import says {told}"]
    recorded = (checks[0][0], readings[0][0])
    return found if recorded == (ROWS, 4 * ROWS) else [*found, f"recorded checks and readings: {recorded}"]
