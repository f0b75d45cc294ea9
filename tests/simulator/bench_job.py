"""A technician who follows the calculations' next step in process, for tuning and for the table of marks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from calibration.metrology.assessment import Assessment, assess
from calibration.metrology.corners import CORNERS, Axle, Corner
from calibration.metrology.decision import Decision, decide
from calibration.metrology.planner import Plan, PlanningCase, compute_plan, fresh_round
from calibration.metrology.pooling import RoundMeasurement
from calibration.metrology.readings import RepeatabilityState, repeatability, with_group
from calibration.metrology.response import (
    Counts,
    HistoryItem,
    ResponsePrior,
    StoredSetpoints,
    follow_job,
    prior_from_specification,
    settled_round,
)
from calibration.metrology.specification import AxleSpecification, Specification
from calibration.metrology.suspicion import Suspicion, find_suspicions
from calibration.metrology.uncertainty import Instrument
from calibration.metrology.vehicle_response import Visit
from reports.demo.simulated_tape import Tape
from reports.demo.simulated_vehicle import SimulatedVehicle

TAPE = Instrument("simulated tape", 1.0, "II")
MOST_STEPS = 60
"""A job that has not ended after so many steps never will."""


@dataclass(slots=True)
class Technician:
    """Whose repeatability grows from job to job."""

    state: RepeatabilityState = field(default_factory=RepeatabilityState)


@dataclass(slots=True)
class BenchJob:
    """What a job took and how it ended: signed_off, get_approval, inspect or endless."""

    ended: str = "endless"
    reason: str = ""
    writes: int = 0
    rounds: int = 0
    readings: int = 0
    approvals: int = 0
    suspicions: tuple[Suspicion, ...] = ()
    writes_when_stopped: int = 0
    not_adjustable: set[Corner] = field(default_factory=set)
    history: list[str] = field(default_factory=list)


def specification_from(fields: Mapping[str, Any]) -> Specification:
    """The calculations' view of a specification resource."""
    axle_names = AxleSpecification.__dataclass_fields__
    apart = {"front", "rear", "controlled_corners", "linked_corners"}
    names = set(Specification.__dataclass_fields__) - apart
    front, rear = (
        AxleSpecification(**{key: value for key, value in fields[axle].items() if key in axle_names})
        for axle in ("front", "rear")
    )
    limits: dict[str, Any] = {key: value for key, value in fields.items() if key in names}
    return Specification(
        front=front,
        rear=rear,
        controlled_corners=tuple(fields.get("controlled_corners", CORNERS)),
        linked_corners=tuple((first, second) for first, second in fields.get("linked_corners", ())),
        **limits,
    )


class Bench:
    """One job on one vehicle."""

    def __init__(
        self,
        vehicle: SimulatedVehicle,
        tape: Tape,
        specification: Specification,
        technician: Technician,
        prior: ResponsePrior | None = None,
        baseline: Counts | None = None,
    ) -> None:
        self.vehicle, self.tape = vehicle, tape
        self.specification, self.technician = specification, technician
        self.job = BenchJob()
        self.prior = prior or prior_from_specification(specification)
        self.baseline = baseline or self._counts()
        self.history: list[tuple[RoundMeasurement, Counts] | StoredSetpoints] = []
        self.pool: list[RoundMeasurement] = []
        self.sides_not_adjustable: set[Axle] = set()
        self.plan: Plan | None = None

    def run(self) -> BenchJob:
        """Follow the next step until the job is signed off or needs a manager."""
        self._measure()
        for _ in range(MOST_STEPS):
            assessment, decision = self._decide()
            self.job.history.append(f"{decision.step}:{decision.reason}")
            if not self._do(assessment, decision):
                break
        self.job.readings = self.tape.readings_taken
        return self.job

    @property
    def visit(self) -> Visit:
        """What the job taught."""
        suspects = {suspicion.corner for suspicion in self.job.suspicions}
        return Visit(tuple(self._items()), distrusted=tuple(corner for corner in CORNERS if corner in suspects))

    def _do(self, assessment: Assessment, decision: Decision) -> bool:
        match decision.step:
            case "read_again":
                self._read_again(assessment)
            case "settle_and_measure":
                self.vehicle.settle()
                self._measure()
            case "propose":
                self._write()
            case _:
                self.job.ended, self.job.reason = decision.step, decision.reason
                self.job.writes_when_stopped = self.job.writes
                return False
        return True

    def _decide(self) -> tuple[Assessment, Decision]:
        assessment = assess(
            self.pool,
            self.specification,
            not_adjustable=self.job.not_adjustable,
            sides_not_adjustable=self.sides_not_adjustable,
        )
        posterior = follow_job(self.prior, self._items())
        self.job.suspicions = find_suspicions(posterior)
        freed = tuple(each.corner for each in assessment.corners if each.freed)
        self.plan = None
        if freed and assessment.verdict != "within":
            self.plan = compute_plan(
                PlanningCase(
                    specification=self.specification,
                    state=posterior.state,
                    baseline=self.baseline,
                    freed=freed,
                    round_uncertainty=fresh_round(self.pool[-1], self.specification.settling_mm),
                    not_adjustable=tuple(self.job.not_adjustable),
                    sides_not_adjustable=tuple(self.sides_not_adjustable),
                )
            )
        decision = decide(assessment, self.plan, writes=self.job.writes, suspicions=self.job.suspicions)
        self.job.not_adjustable |= set(decision.not_adjustable_here)
        self.sides_not_adjustable |= set(decision.sides_not_adjustable_here)
        return assessment, decision

    def _items(self) -> list[HistoryItem]:
        settling = self.specification.settling_mm
        return [
            item if isinstance(item, StoredSetpoints) else settled_round(item[0], settling, item[1])
            for item in self.history
        ]

    def _measure(self) -> None:
        known = repeatability(self.technician.state, TAPE.resolution_mm)
        readings = tuple(tuple(float(self._read(corner)) for _ in range(2)) for corner in CORNERS)
        self._keep(RoundMeasurement(readings, known, (TAPE,), str(self.job.rounds)), new=True)
        self.job.rounds += 1

    def _read_again(self, assessment: Assessment) -> None:
        latest = self.pool[-1]
        readings = tuple(
            (*taken, *(float(self._read(each.corner)) for _ in range(each.read_again)))
            for taken, each in zip(latest.readings_mm, assessment.corners, strict=True)
        )
        self._keep(RoundMeasurement(readings, latest.repeatability, latest.instruments, latest.identity), new=False)

    def _keep(self, measured: RoundMeasurement, *, new: bool) -> None:
        if not new:
            self.history.pop()
            self.pool.pop()
        self.history.append((measured, self._counts()))
        self.pool.append(measured)

    def _write(self) -> None:
        assert self.plan is not None
        self._learn_repeatability()
        if any(check.outcome == "review" for check in self.plan.limits):
            self.job.approvals += 1
        counts = dict(zip(CORNERS, self.plan.setpoints, strict=True))
        self.vehicle.write({corner: count for corner, count in counts.items() if count is not None})
        self.history.append(StoredSetpoints(self._counts()))
        self.job.writes += 1
        self.pool = []
        self.vehicle.settle()
        self._measure()

    def _learn_repeatability(self) -> None:
        """What the pool's rounds said of the technician's scatter."""
        for measured in self.pool:
            for readings in measured.readings_mm:
                self.technician.state = with_group(self.technician.state, readings, TAPE.resolution_mm)

    def _read(self, corner: Corner) -> int:
        return self.tape.read(self.vehicle, corner)

    def _counts(self) -> Counts:
        stored = self.vehicle.read_setpoints()
        a, b, c, d = (stored.get(corner) for corner in CORNERS)
        return a, b, c, d
