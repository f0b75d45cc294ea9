"""A job on a simulated vehicle: heights follow what was written, and whoever does the next step gets to an end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

import numpy as np

from calibration.metrology.corners import CORNERS
from calibration.models import Proposal, Round
from calibration.services import jobs, rounds
from fleet.ids import new_id
from fleet.models import Specification
from reports.demo.simulated_vehicle import SimulatedVehicle, Truth, draw_truth
from tests.calibration.bench import Bench
from tests.factories import TYRE, Person, Site

MOST_STEPS = 60
"""A job that has no end after so many steps has none."""


@dataclass
class Reserve:
    """People who take no part until the next step asks for somebody independent."""

    decider: Person
    signer: Person

    @classmethod
    def of(cls, site: Site) -> Reserve:
        return cls(site.person("manager"), site.person("technician"))


@dataclass
class LivingVehicle:
    """The bench, the vehicle on it, and a technician with a tape whose readings scatter."""

    bench: Bench
    truth: Truth
    body: SimulatedVehicle
    rng: np.random.Generator
    steps: list[str] = field(default_factory=list)
    patience: int = MOST_STEPS

    @classmethod
    def arrive(
        cls,
        site: Site,
        specification: Specification,
        *,
        error_mm: tuple[float, ...] = (0.0, 0.0, 0.0, 0.0),
        faults: tuple[str, str, str, str] = ("healthy",) * 4,
        seed: int = 1,
        **fields: Any,
    ) -> LivingVehicle:
        rng = np.random.default_rng(seed)
        content = _without_nulls(specification.content)
        truth = draw_truth(content, np.array(error_mm), faults, rng)
        body = SimulatedVehicle(truth, tuple(content.get("controlled_corners", CORNERS)), rng)
        vehicle = site.vehicle(vehicle_model=specification.vehicle_model)
        return cls(Bench.open(site, vehicle, setpoints=body.read_setpoints(), **fields), truth, body, rng)

    def read(self, corner: str) -> int:
        """One reading in whole millimetres."""
        return round(self.body.standing_mm(corner) + float(self.rng.normal(0.0, 0.7)))

    def measure(self, *, settle: bool = True, **fields: Any) -> Round:
        if settle:
            self.body.settle()
        readings = [{"corner": c, "height_mm": Decimal(self.read(c)), "confirmed": True} for c in CORNERS for _ in "ab"]
        self.bench.setpoints = self.body.read_setpoints()
        return self.bench.measure(readings=readings, **fields)

    def read_again(self) -> Round:
        """As many further readings as the assessment asks for."""
        standing = self.bench.standing
        assert standing.assessment is not None
        readings = [
            {"corner": each.corner, "height_mm": Decimal(self.read(each.corner)), "confirmed": True}
            for each in standing.assessment.corners
            for _ in range(each.read_again)
        ]
        latest = standing.course.pool[-1].id
        return rounds.readings_add(actor=self.bench.actor(), record_id=new_id(), round_id=latest, readings=readings)

    def write(self, proposal: Proposal | None, wanted: Mapping[str, int] | None = None, **fields: Any) -> None:
        """Store the proposal's set-points, or others in their place."""
        stored = self.body.write(wanted if wanted is not None else proposal.to_setpoints)  # type: ignore[union-attr]
        self.bench.write(proposal, read_back=stored, **fields)

    def write_open_proposal(self) -> None:
        open_proposal = self.bench.standing.open_proposal
        assert open_proposal is not None, "the next step is to write, but nothing is there to be written"
        self.write(Proposal.objects.get(pk=open_proposal.id))

    def mend(self, corner: str, kind: str = "sensor_replaced") -> None:
        self.truth.gain[CORNERS.index(corner)] = 1.0
        self.bench.event(kind, corner)

    # --- following -------------------------------------------------------------------------------------
    def follow(self, reserve: Reserve) -> str:
        """Do what the next step says until the job is closed; gives its state."""
        for _ in range(self.patience):
            step = self.bench.standing.next_step
            self.steps.append(f"{step.step}:{step.reason}")
            if step.step == "done":
                return str(self.bench.case.job.state)
            getattr(self, f"_{step.step}")(reserve, step.reason, step.corners)
        raise AssertionError(f"no end in sight: {self.steps}")

    def _check_readiness(self, reserve: Reserve, reason: str, corners: Any) -> None:
        self.bench.ready()

    def _measure(self, reserve: Reserve, reason: str, corners: Any) -> None:
        self.measure()

    _settle_and_measure = _measure

    def _read_again(self, reserve: Reserve, reason: str, corners: Any) -> None:
        self.read_again()

    def _propose(self, reserve: Reserve, reason: str, corners: Any) -> None:
        self.bench.propose()

    def _write(self, reserve: Reserve, reason: str, corners: Any) -> None:
        self.write_open_proposal()

    def _get_approval(self, reserve: Reserve, reason: str, corners: Any) -> None:
        if reason == "rulings_missing":
            for finding in self.bench.standing.missing_rulings:
                self.bench.rule_on(finding.id, person=reserve.decider)
            return
        self.bench.decide(person=reserve.decider)

    def _paused(self, reserve: Reserve, reason: str, corners: Any) -> None:
        self.bench.resume(setpoints=self.body.read_setpoints())

    def _sign_off(self, reserve: Reserve, reason: str, corners: Any) -> None:
        self.bench.sign_off(reserve.signer)

    def _inspect(self, reserve: Reserve, reason: str, corners: Any) -> None:
        """Mend what is named; else measure once more; else end the job."""
        if reason in ("corner_not_responding", "corner_reversed", "corner_weak", "suspicion_confirmed"):
            for corner in corners:
                self.mend(corner)
        elif reason == "leak_outside":
            for corner in self.bench.standing.leaks:
                self.bench.event("leak_repaired", corner)
        elif reason in ("leak_not_retested", "leak_retest_undecided"):
            self.bench.leak_test(hours=48)
        elif reason == "load_capacity_low":
            self.bench.fit(dict(TYRE))
        elif reason in ("approval_refused", "write_not_verified_twice") and self.steps.count(f"inspect:{reason}") < 3:
            self.measure()
        else:
            self.end()

    def end(self) -> None:
        jobs.job_end(
            actor=self.bench.actor(),
            record_id=new_id(),
            job_id=self.bench.job.pk,
            reason="to be mended elsewhere",
            setpoints=self.body.read_setpoints(),
        )


def _without_nulls(content: Mapping[str, Any]) -> dict[str, Any]:
    """As a person would write it: what an uncontrolled axle does not have is left away."""
    return {
        name: _without_nulls(value) if isinstance(value, dict) else value
        for name, value in content.items()
        if value is not None
    }
