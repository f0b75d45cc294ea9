"""A technician who knows the REST interface and nothing of the trade: they do what `next_step` says.

The vehicle and the tape are simulated here; the service sees readings and read-backs only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import CORNER_NAMES, SimulatedVehicle
from tests.simulator.http_api import Answer, Api

READINESS_ITEMS = (
    "fault_memory",
    "leakage",
    "floor",
    "measuring_condition",
    "doors",
    "power",
    "reservoir",
    "ride_position",
    "tyre_pressures",
    "steering_straight",
    "secured",
)
READINGS = 2
MOST_STEPS = 60
"""A job that has not ended after so many steps never will."""
CLOCK_LAG = timedelta(seconds=1)
"""A tablet's clock is never quite the server's."""
SUSPICIONS = frozenset({"corner_not_responding", "corner_reversed", "corner_weak"})


@dataclass(slots=True)
class HttpJob:
    """What a job took and how it ended: `done` by sign-off, `inspect`, or `endless`."""

    id: str = ""
    ended: str = "endless"
    reason: str = ""
    writes: int = 0
    rounds: int = 0
    readings: int = 0
    approvals: int = 0
    steps: list[str] = field(default_factory=list)
    suspects: dict[str, int] = field(default_factory=dict)
    """Corners that the service found suspect, with the number of writes by then."""
    not_adjustable: set[str] = field(default_factory=set)

    @property
    def signed_off(self) -> bool:
        return self.ended == "done"


@dataclass
class HttpTechnician:
    """One person with a tape and a PIN; `manager` is another person, who decides what is put before them."""

    api: Api
    manager: Api
    pin: str
    instrument: str

    def work(
        self, vin: str, vehicle: SimulatedVehicle, tape: Tape, *, reason: str = "routine", odometer_km: int = 48210
    ) -> HttpJob:
        """A whole job, from reception to sign-off or to whatever stands in its way."""
        job = self.api.post("/jobs/", {"vehicle": vin, "reason": reason, "odometer_km": odometer_km})
        course = _Course(self, vehicle, tape, HttpJob(id=job["id"]))
        for _ in range(MOST_STEPS):
            if not course.do(job):
                break
            job = self.api.get(f"/jobs/{course.taken.id}/")
            course.note(job)
        course.taken.readings = tape.readings_taken
        return course.taken


@dataclass
class _Course:
    technician: HttpTechnician
    vehicle: SimulatedVehicle
    tape: Tape
    taken: HttpJob

    def do(self, job: Answer) -> bool:
        """Carry out the next step; False once there is none left for a technician."""
        step = job["next_step"]
        self.taken.steps.append(f"{step}:{job['next_step_detail']['reason']}")
        match step:
            case "check_readiness":
                self._check_readiness()
            case "measure":
                self._measure()
            case "settle_and_measure":
                self.vehicle.settle()
                self._measure()
            case "read_again":
                self._read_again(job)
            case "propose":
                self._post("proposals")
            case "get_approval":
                self._ask_manager(job)
            case "write":
                self._write(job["proposal"])
            case "sign_off":
                self._sign_off(job)
            case _:
                self._finish(job)
                return False
        return True

    def note(self, job: Answer) -> None:
        """Keep what the campaign counts."""
        for finding in job["findings"]:
            corner = finding.get("corner")
            if finding["code"] in SUSPICIONS and corner:
                self.taken.suspects.setdefault(corner, self.taken.writes)
            if finding["code"] == "not_adjustable_here" and corner:
                self.taken.not_adjustable.add(corner)

    def _post(self, path: str, body: Mapping[str, Any] | None = None) -> Answer:
        return self.technician.api.post(f"/jobs/{self.taken.id}/{path}/", body)

    def _check_readiness(self) -> None:
        self._post("readiness", {"checks": {item: {"outcome": "pass"} for item in READINESS_ITEMS}})

    def _measure(self) -> None:
        readings = [self._reading(corner) for corner in CORNER_NAMES for _ in range(READINGS)]
        body = {
            "taken_at": _tablet_time(),
            "instrument": self.technician.instrument,
            "settled": True,
            "setpoints": self.vehicle.read_setpoints(),
            "readings": readings,
        }
        self._post("rounds", body)
        self.taken.rounds += 1

    def _read_again(self, job: Answer) -> None:
        wanted = {corner: each["read_again"] for corner, each in job["assessment"]["corners"].items()}
        readings = [self._reading(corner) for corner, count in wanted.items() for _ in range(count)]
        newest = job["assessment"]["rounds"][-1]
        self.technician.api.post(f"/rounds/{newest}/readings/", {"readings": readings})

    def _reading(self, corner: str) -> dict[str, Any]:
        return {"corner": corner, "height_mm": self.tape.read(self.vehicle, corner)}

    def _write(self, proposal: Answer) -> None:
        wanted = {**self.vehicle.read_setpoints(), **{corner: c["to"] for corner, c in proposal["changes"].items()}}
        read_back = self.vehicle.write(wanted)
        self._post("writes", {"proposal": proposal["id"], "written_at": _tablet_time(), "read_back": read_back})
        self.taken.writes += 1

    def _ask_manager(self, job: Answer) -> None:
        """The manager decides what is open: an approval, or the findings that lack a ruling."""
        self.taken.approvals += 1
        manager, approval = self.technician.manager, job["approval"]
        if approval is not None:
            body = {"decision": "approve", "reason": "figures looked at", "content_sha256": approval["content_sha256"]}
            manager.post(f"/approvals/{approval['id']}/decision/", body)
            return
        for finding in job["findings"]:
            if finding["severity"] == "review" and finding.get("ruling") is None:
                body = {"finding": finding["id"], "decision": "accept", "reason": "explained by the technician"}
                manager.post(f"/jobs/{self.taken.id}/rulings/", body)

    def _sign_off(self, job: Answer) -> None:
        self._post("sign-off", {"pin": self.technician.pin, "content_sha256": job["content_sha256"]})

    def _finish(self, job: Answer) -> None:
        """Signed off; or somebody has to look at the vehicle, and the job ends for now."""
        self.taken.ended, self.taken.reason = job["next_step"], job["next_step_detail"]["reason"]
        if job["next_step"] == "inspect":
            body = {"reason": "to be looked at in the workshop", "setpoints": self.vehicle.read_setpoints()}
            self._post("end", body)


def _tablet_time() -> str:
    return (datetime.now(UTC) - CLOCK_LAG).isoformat()
