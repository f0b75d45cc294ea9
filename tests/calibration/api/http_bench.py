"""A bench: what a technician with a tape does over HTTP, in as few words as the tests need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Any, Final

from django.utils import timezone
from rest_framework.test import APIClient

from calibration.rules.readiness import ITEMS
from fleet.models import Instrument, Vehicle
from tests.calibration.api.contract import CONTRACT
from tests.factories import Person, Site

API: Final = "/api/v1"
SETPOINTS: Final = {"FL": 128, "FR": 131, "RL": 119, "RR": 122}
ON_TARGET: Final = {"FL": 486, "FR": 486, "RL": 504, "RR": 504}
ONE_HIGH: Final = {**ON_TARGET, "FL": 498}
READY: Final = {item: {"outcome": "pass"} for item in ITEMS}


def readings(heights: Mapping[str, float], repeats: int = 2, **each: Any) -> list[dict[str, Any]]:
    return [
        {"corner": corner, "height_mm": float(height), **each}
        for corner, height in heights.items()
        for _repeat in range(repeats)
    ]


def moment(minutes: float = 0) -> str:
    return (timezone.now() + timedelta(minutes=minutes)).isoformat()


@dataclass
class HttpBench:
    """A workshop, a vehicle with a job, a tape, and the technician's client."""

    site: Site
    vehicle: Vehicle
    tape: Instrument
    client: APIClient
    manager: APIClient
    job: str = ""
    setpoints: dict[str, int] = field(default_factory=lambda: dict(SETPOINTS))

    @classmethod
    def of(cls, site: Site, vehicle: Vehicle | None = None, person: Person | None = None) -> HttpBench:
        client = (person or site.technician).client()
        return cls(site, vehicle or site.vehicle(), site.instrument(), client, site.manager.client())

    def get(self, address: str, client: Any = None, **query: Any) -> Any:
        response = (client or self.client).get(f"{API}{address}", query)
        CONTRACT.check("get", f"{API}{address}", response)
        return response

    def post(
        self, address: str, body: Mapping[str, Any] | None = None, client: APIClient | None = None, kind: str = "json"
    ) -> Any:
        response = (client or self.client).post(f"{API}{address}", body or {}, format=kind)
        CONTRACT.check("post", f"{API}{address}", response)
        return response

    def made(self, address: str, body: Mapping[str, Any] | None = None, client: APIClient | None = None) -> Any:
        """What a call that succeeds answers."""
        response = self.post(address, body, client)
        assert response.status_code in {200, 201}, response.content.decode()
        return response.json()

    # --- steps -------------------------------------------------------------------------------------
    def open_job(self, **fields: Any) -> dict[str, Any]:
        body = {"vehicle": self.vehicle.vin, "reason": "routine", "odometer_km": 48210.5, **fields}
        job: dict[str, Any] = self.made("/jobs/", body)
        self.job = job["id"]
        return job

    def state(self) -> dict[str, Any]:
        job: dict[str, Any] = self.get(f"/jobs/{self.job}/").json()
        return job

    def make_ready(self) -> None:
        self.made(f"/jobs/{self.job}/readiness/", {"checks": READY})

    def round_body(self, heights: Mapping[str, float] = ON_TARGET, **fields: Any) -> dict[str, Any]:
        return {
            "taken_at": moment(),
            "instrument": str(self.tape.pk),
            "settled": True,
            "setpoints": self.setpoints,
            "readings": readings(heights),
            **fields,
        }

    def measure(self, heights: Mapping[str, float] = ON_TARGET, **fields: Any) -> dict[str, Any]:
        measured: dict[str, Any] = self.made(f"/jobs/{self.job}/rounds/", self.round_body(heights, **fields))
        return measured

    def measured(self, heights: Mapping[str, float] = ON_TARGET) -> dict[str, Any]:
        """Open a job, make ready, measure once."""
        self.open_job()
        self.make_ready()
        return self.measure(heights)

    def propose(self, **body: Any) -> dict[str, Any]:
        proposal: dict[str, Any] = self.made(f"/jobs/{self.job}/proposals/", body)
        return proposal

    def write(self, proposal: Mapping[str, Any] | None = None, **fields: Any) -> dict[str, Any]:
        """Store what was proposed and read it back."""
        read_back = fields.pop("read_back", None) or (proposal or {})["to_setpoints"]
        body = {"proposal": (proposal or {}).get("id"), "written_at": moment(), "read_back": read_back, **fields}
        write: dict[str, Any] = self.made(f"/jobs/{self.job}/writes/", body)
        self.setpoints = dict(read_back)
        return write

    def adjusted(self) -> dict[str, Any]:
        """A job with one corner set right: measured, proposed, written, measured again."""
        self.measured(ONE_HIGH)
        self.write(self.propose())
        self.measure(ON_TARGET)
        return self.state()

    def sign_off(self, **fields: Any) -> Any:
        shown = self.state()["content_sha256"]
        return self.post(f"/jobs/{self.job}/sign-off/", {"pin": "4711", "content_sha256": shown, **fields})
