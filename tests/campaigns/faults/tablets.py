"""Tablets: they send each record again and again, with the same id and body, until the service has it."""

from __future__ import annotations

import io
import json
import random
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final

import httpx
import numpy as np
from PIL import Image
from uuid_utils.compat import uuid7

from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import CORNER_NAMES, SimulatedVehicle, draw_truth
from reports.demo.specifications import ESTATE
from tests.campaigns.faults.journal import Acknowledged, Journal
from tests.plain_http import TRUSTING_NOBODY
from tests.simulator.http_api import BASE, Api, connection
from tests.simulator.http_technician import READINESS_ITEMS, HttpTechnician
from tests.simulator.http_workshop import HttpWorkshop

ANSWER_PATIENCE_S: Final = 15.0
PAUSE_S: Final = (0.05, 0.4)
"""A tablet waits a minute or more; a campaign has less time."""
BUSY: Final = (429, 502, 503)
MOST_READS: Final = 1000
"""A record is sent for ever; something that cannot be read for minutes is a fault."""
TYRE: Final = {"size": "255/60R18", "load_index": 112, "speed_symbol": "V"}
OFF_TARGET_SD_MM: Final = 4.0


class CampaignOverError(Exception):
    """The tablet was switched off."""


class PersistentTransport(httpx.BaseTransport):
    """Sends one request until it is answered for good, and keeps what was acknowledged."""

    def __init__(self, journal: Journal, give_up: threading.Event) -> None:
        self.journal = journal
        self.give_up = give_up
        self._network = httpx.HTTPTransport(verify=TRUSTING_NOBODY)
        self._random = random.Random(0)  # noqa: S311  (pauses only)

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        for tries in range(1, 1_000_000):
            response = self._try(request)
            if response is not None:
                self._keep(request, response, tries)
                return response
            self.journal.note_retry()
            if request.method == "GET" and tries >= MOST_READS:
                raise CampaignOverError(f"{request.url.path} could not be read")
            if self.give_up.wait(self._random.uniform(*PAUSE_S)):
                raise CampaignOverError(request.url.path)
        raise AssertionError("unreachable")

    def close(self) -> None:
        self._network.close()

    def _try(self, request: httpx.Request) -> httpx.Response | None:
        try:
            response = self._network.handle_request(request)
            content = response.read()
        except httpx.TransportError as error:
            self.journal.note(type(error).__name__)
            return None
        self.journal.note(str(response.status_code))
        if response.status_code in BUSY:
            if "Retry-After" not in response.headers:
                self.journal.note_fault(
                    f"{request.method} {request.url.path}: {response.status_code} without Retry-After"
                )
            return None
        if response.status_code >= 500:
            text = content.decode(errors="replace")[:600]
            self.journal.note_fault(f"{request.method} {request.url.path}: {response.status_code} {text}")
            return None
        return response

    def _keep(self, request: httpx.Request, response: httpx.Response, tries: int) -> None:
        path = request.url.path.removeprefix(BASE)
        if request.method == "POST" and response.is_success and (record := _client_id(request)):
            self.journal.acknowledge(Acknowledged(record, path, response.status_code, tries))
        elif response.is_client_error:
            text = response.text[:600]
            self.journal.note_fault(f"{request.method} {path}: {response.status_code} after {tries} tries: {text}")


def _client_id(request: httpx.Request) -> str | None:
    if request.headers.get("Content-Type", "").startswith("application/json"):
        body = json.loads(request.content)
        return str(body["id"]) if isinstance(body, dict) and "id" in body else None
    of_upload: str | None = request.headers.get("X-Record-Id")
    return of_upload


@dataclass
class Shop:
    """A workshop set up over the interface, ready for vehicles."""

    url: str
    workshop: str
    token: str
    journal: Journal
    give_up: threading.Event
    model: str = ""
    client: httpx.Client = field(init=False)
    http: HttpWorkshop = field(init=False)
    first_vehicle: dict[str, Any] = field(init=False)

    def __post_init__(self) -> None:
        self.client = connection(self.url, PersistentTransport(self.journal, self.give_up))
        self.http = HttpWorkshop(self.api())
        self.model = self.http.model("Fell", json.loads(json.dumps(dict(ESTATE), default=str)))
        # The first vehicle brings the operator with it, before tablets could race for its name.
        self.first_vehicle = self.http.manager.get(f"/vehicles/{self.http.vehicle(self.model)}/")

    def api(self, token: str = "") -> Api:
        return Api(self.client, token or self.token)

    def close(self) -> None:
        self.client.close()


class Tablet(threading.Thread):
    """One technician, one job after the other; every second one takes the long way round."""

    def __init__(self, shop: Shop, seed: int, stop: threading.Event) -> None:
        super().__init__(name=f"tablet-{seed}", daemon=True)
        self.shop = shop
        self.rng = np.random.default_rng(seed)
        # Asked for one after the other, before the campaign begins.
        self.technician: HttpTechnician = shop.http.technician()
        self.stop = stop
        self.jobs = 0

    @property
    def api(self) -> Api:
        return self.technician.api

    def run(self) -> None:
        while not self.stop.is_set():
            try:
                self._visit()
            except CampaignOverError:
                return
            except Exception as error:  # noqa: BLE001  (whatever a tablet stumbles over belongs into the report)
                self.shop.journal.note_fault(f"{self.name}: {type(error).__name__}: {error}")
                if self.stop.wait(0.5):
                    return

    def _visit(self) -> None:
        vin = self.shop.http.vehicle(self.shop.model)
        self._fit_tyres(vin)
        if self.jobs % 2:
            self._interrupted_job(vin)
        else:
            vehicle, tape = self._arrived()
            self.technician.work(vin, vehicle, tape)
        self.jobs += 1

    def _arrived(self) -> tuple[SimulatedVehicle, Tape]:
        error = self.rng.normal(0.0, OFF_TARGET_SD_MM, len(CORNER_NAMES))
        truth = draw_truth(ESTATE, error, ("healthy",) * 4, self.rng)
        return SimulatedVehicle(truth, CORNER_NAMES, self.rng), Tape(self.rng, slip_share=0.0)

    def _fit_tyres(self, vin: str) -> None:
        tyres = {corner: dict(TYRE) for corner in CORNER_NAMES}
        self.api.post(f"/vehicles/{vin}/fitments/", {"fitted_on": "2026-01-05", "odometer_km": 48000, "tyres": tyres})
        event = {"kind": "sensor_replaced", "corner": "FL", "happened_at": moment(), "note": "cracked housing"}
        self.api.post(f"/vehicles/{vin}/events/", event)

    def _interrupted_job(self, vin: str) -> None:
        """Received, checked, paused, taken up again, measured with a slip that is struck out, photographed, ended."""
        vehicle, tape = self._arrived()
        setpoints = vehicle.read_setpoints()
        job = self.api.post("/jobs/", {"vehicle": vin, "reason": "complaint", "odometer_km": 48210})
        at = f"/jobs/{job['id']}"
        self.api.post(f"{at}/readiness/", {"checks": {item: {"outcome": "pass"} for item in READINESS_ITEMS}})
        self.api.post(f"{at}/pause/", {"reason": "spring awaited"})
        resumed = {"reason": "spring came", "setpoints": setpoints, "nothing_changed": True}
        self.api.post(f"{at}/resumption/", resumed)
        readings = [{"corner": c, "height_mm": tape.read(vehicle, c)} for c in CORNER_NAMES for _ in range(2)]
        body = {"taken_at": moment(), "instrument": self.technician.instrument, "settled": True}
        measured = self.api.post(f"{at}/rounds/", {**body, "setpoints": setpoints, "readings": readings})
        further = {"id": str(uuid7()), "corner": "FL", "height_mm": tape.read(vehicle, "FL")}
        self.api.post(f"/rounds/{measured['id']}/readings/", {"readings": [further]})
        slip = measured["readings"][0]
        replacement = {"height_mm": slip["height_mm"] + 1}
        struck = {"reason": "read off the wrong edge", "replacement": replacement}
        self.technician.manager.post(f"/readings/{slip['id']}/strike/", struck)
        self._photograph(measured["id"])
        self.api.post(f"{at}/end/", {"reason": "owner wants the vehicle back", "setpoints": setpoints})

    def _photograph(self, measured: str) -> None:
        record = str(uuid7())
        answer = self.api.client.post(
            f"{BASE}/rounds/{measured}/photos/",
            data={"id": record},
            files={"file": ("tape.png", random_picture(self.rng), "image/png")},
            headers={"X-Record-Id": record, "Authorization": f"Bearer {self.api.token}"},
        )
        answer.raise_for_status()


def random_picture(rng: np.random.Generator) -> bytes:
    buffer = io.BytesIO()
    Image.fromarray(rng.integers(0, 256, (96, 128, 3), dtype=np.uint8)).save(buffer, "PNG")
    return buffer.getvalue()


def moment() -> str:
    return datetime.now(UTC).isoformat()


def settle(tablets: list[Tablet], stop: threading.Event, give_up: threading.Event, patience_s: float) -> float:
    """Let every tablet finish the visit it is at; gives the time it took, s."""
    began = time.monotonic()
    stop.set()
    for tablet in tablets:
        tablet.join(max(0.0, began + patience_s - time.monotonic()))
    give_up.set()
    for tablet in tablets:
        tablet.join(ANSWER_PATIENCE_S)
    return time.monotonic() - began
