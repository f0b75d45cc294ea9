"""A job driven through the services step by step, as a technician and a manager would."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.utils import timezone

from calibration.models import Concession, Job, LeakTest, Proposal, Round, Write
from calibration.rules.readiness import ITEMS
from calibration.rules.standing import Standing
from calibration.selectors.casefile import CaseFile, case_of
from calibration.services import decisions, jobs, leak_tests, proposals, readiness, rounds, writes
from calibration.services.leak_tests import ParkedMoment
from fleet import services as fleet_services
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import Fitment, Instrument, Specification, Vehicle
from tests.factories import SPECIFICATION, Person, Site

TRUE_HEIGHTS = {"FL": 486, "FR": 486, "RL": 504, "RR": 504}
COUNTS = {"FL": 120, "FR": 120, "RL": 118, "RR": 121}


def _parked(at: datetime, heights: Mapping[str, float], deg_c: float | None) -> ParkedMoment:
    exact = {corner: Decimal(str(height)) for corner, height in heights.items()}
    return ParkedMoment(at, exact, None if deg_c is None else Decimal(str(deg_c)), confirmed=True)


@dataclass
class Bench:
    """One vehicle's job; every step happens a minute after the one before."""

    site: Site
    vehicle: Vehicle
    instrument: Instrument
    job: Job
    now: datetime
    technician: Person
    setpoints: dict[str, int] = field(default_factory=lambda: dict(COUNTS))

    @classmethod
    def open(
        cls,
        site: Site,
        vehicle: Vehicle | None = None,
        *,
        setpoints: Mapping[str, int] = COUNTS,
        hours_ago: float = 6,
        **fields: Any,
    ) -> Bench:
        vehicle = vehicle or site.vehicle()
        instrument = site.instrument()
        now = timezone.now() - timedelta(hours=hours_ago)
        values = {"reason": "routine", "odometer_km": Decimal(48210), **fields}
        job = jobs.job_open(actor=site.technician.actor(now), record_id=new_id(), vehicle=vehicle, **values)
        return cls(site, vehicle, instrument, job, now, site.technician, dict(setpoints))

    @classmethod
    def with_one_low(cls, site: Site) -> Bench:
        """Front left 16 mm low, measured."""
        bench = cls.open(site)
        bench.ready()
        bench.measure({"FL": 470})
        return bench

    def tick(self) -> datetime:
        self.now += timedelta(minutes=1)
        return self.now

    def actor(self, person: Person | None = None) -> Actor:
        return (person or self.technician).actor(self.tick())

    @property
    def case(self) -> CaseFile:
        return case_of(self.site.manager.actor(self.now), self.job.pk)

    @property
    def standing(self) -> Standing:
        return self.case.standing

    @property
    def next_step(self) -> str:
        return self.standing.next_step.step

    @property
    def reason(self) -> str:
        return self.standing.next_step.reason

    def codes(self) -> list[str]:
        return [finding.code for finding in self.case.findings]

    def ready(self, **outcomes: str) -> None:
        checks = {item: {"outcome": outcomes.get(item, "pass")} for item in ITEMS}
        readiness.readiness_record(actor=self.actor(), record_id=new_id(), job_id=self.job.pk, checks=checks)

    def measure(self, heights: Mapping[str, float] | None = None, *, repeats: int = 2, **fields: Any) -> Round:
        heights = {**TRUE_HEIGHTS, **(heights or {})}
        readings: Sequence[Mapping[str, Any]] = [
            {"corner": corner, "height_mm": Decimal(str(height))}
            for corner, height in heights.items()
            for _ in range(repeats)
        ]
        actor = self.actor(fields.pop("by", None))
        values = {
            "taken_at": actor.now,
            "instrument": self.instrument,
            "setpoints": self.setpoints,
            "readings": readings,
            **fields,
        }
        return rounds.round_record(actor=actor, record_id=new_id(), job_id=self.job.pk, **values)

    def leak_test(
        self,
        sinking: Mapping[str, float] | None = None,
        *,
        hours: float = 12,
        temperatures: tuple[float | None, float | None] = (None, None),
        **fields: Any,
    ) -> LeakTest:
        """Parked for so many hours; `sinking` is how many millimetres a corner sank."""
        sank = {corner: TRUE_HEIGHTS[corner] - (sinking or {}).get(corner, 0) for corner in TRUE_HEIGHTS}
        began = self.tick()
        self.now += timedelta(hours=hours)
        actor = self.actor(fields.pop("by", None))
        shift = fields.pop("shift", timedelta(0))
        start = _parked(began + shift, TRUE_HEIGHTS, temperatures[0])
        end = _parked(actor.now + shift, sank, temperatures[1])
        values = {"instrument": self.instrument, "start": start, "end": end, **fields}
        return leak_tests.leak_test_record(actor=actor, record_id=new_id(), job_id=self.job.pk, **values)

    def propose(self) -> Proposal:
        return proposals.proposal_compute(actor=self.actor(), record_id=new_id(), job_id=self.job.pk)

    def enter(self, **changes: int) -> Proposal:
        setpoints = {**self.setpoints, **changes}
        return proposals.proposal_enter(
            actor=self.actor(),
            record_id=new_id(),
            job_id=self.job.pk,
            setpoints=setpoints,
            justification="tried by hand",
        )

    def write(self, proposal: Proposal | None, read_back: Mapping[str, int] | None = None, **fields: Any) -> Write:
        stored = dict(read_back) if read_back is not None else dict(proposal.to_setpoints)  # type: ignore[union-attr]
        actor = self.actor()
        written = writes.write_record(
            actor=actor,
            record_id=new_id(),
            job_id=self.job.pk,
            proposal=proposal,
            read_back=stored,
            written_at=fields.pop("written_at", actor.now),
        )
        self.setpoints = stored
        return written

    def decide(self, decision: str = "approve", person: Person | None = None) -> None:
        approval = self.standing.open_approval
        assert approval is not None
        decisions.approval_decide(
            actor=self.actor(person or self.site.manager),
            record_id=new_id(),
            approval_id=approval.id,
            decision=decision,
            reason="looked at the vehicle",
            content_sha256=approval.content_sha256,
        )

    def rule(self, code: str, decision: str = "accept", person: Person | None = None) -> None:
        finding = next(each for each in reversed(self.case.findings) if each.code == code)
        self.rule_on(finding.pk, decision, person)

    def rule_on(self, finding_id: UUID, decision: str = "accept", person: Person | None = None) -> None:
        decisions.finding_rule(
            actor=self.actor(person or self.site.manager),
            record_id=new_id(),
            job_id=self.job.pk,
            finding_id=finding_id,
            decision=decision,
            reason="explained by the technician",
        )

    def event(self, kind: str, corner: str = "", **fields: Any) -> None:
        actor = self.actor()
        fleet_services.event_record(
            actor=actor,
            record_id=new_id(),
            vehicle=self.vehicle,
            kind=kind,
            corner=corner,
            **{"happened_at": actor.now, "note": "", **fields},
        )

    def fit(self, tyre: Mapping[str, Any], **corners: Mapping[str, Any]) -> Fitment:
        """Other tyres, the same at every corner unless given."""
        actor = self.actor()
        return fleet_services.fitment_record(
            actor=actor,
            record_id=new_id(),
            vehicle=self.vehicle,
            fitted_on=actor.now.date(),
            tyres={corner: dict(corners.get(corner, tyre)) for corner in TRUE_HEIGHTS},
        )

    def add_revision(self, **changes: Any) -> Specification:
        """Another specification revision of the vehicle's model, recorded now."""
        return fleet_services.specification_add(
            actor=self.actor(self.site.manager),
            record_id=new_id(),
            vehicle_model=self.case.job.vehicle.vehicle_model,
            specification={**SPECIFICATION, **changes},
        )

    def read_again(self, corner: str, *heights: float, measured: Round | None = None, **fields: Any) -> Round:
        latest = measured or self.case.rounds[-1]
        readings = [{"corner": corner, "height_mm": Decimal(str(height))} for height in heights]
        actor = self.actor(fields.pop("by", None))
        return rounds.readings_add(actor=actor, record_id=new_id(), round_id=latest.pk, readings=readings)

    def strike(self, reading_id: UUID, height: float, person: Person | None = None) -> Round:
        return rounds.reading_strike(
            actor=self.actor(person),
            record_id=new_id(),
            reading_id=reading_id,
            reason="read from the wrong mark",
            replacement={"height_mm": Decimal(str(height))},
        )

    def pause(self) -> Job:
        return jobs.job_pause(actor=self.actor(), record_id=new_id(), job_id=self.job.pk, reason="parts awaited")

    def resume(self, *, nothing_changed: bool = True, setpoints: Mapping[str, int] | None = None) -> Job:
        return jobs.job_resume(
            actor=self.actor(),
            record_id=new_id(),
            job_id=self.job.pk,
            reason="parts arrived",
            setpoints=dict(setpoints or self.setpoints),
            nothing_changed=nothing_changed,
        )

    def revert(self) -> Proposal:
        return proposals.reversion_begin(
            actor=self.actor(), record_id=new_id(), job_id=self.job.pk, reason="the operator asks for it"
        )

    def concede(self, front_mm: float = 500, rear_mm: float = 518, person: Person | None = None) -> Concession:
        actor = self.actor(person)
        return proposals.concession_request(
            actor=actor,
            record_id=new_id(),
            job_id=self.job.pk,
            front_target_mm=Decimal(str(front_mm)),
            rear_target_mm=Decimal(str(rear_mm)),
            reason="ferry ramp",
            acknowledged_by="fleet desk",
            acknowledged_on=actor.now.date(),
        )

    def refile(self, vehicle: Vehicle, person: Person | None = None) -> Job:
        job = jobs.job_refile(
            actor=self.actor(person or self.site.manager),
            record_id=new_id(),
            job_id=self.job.pk,
            vehicle=vehicle,
            reason="taken for the vehicle beside it",
        )
        self.vehicle = vehicle
        return job

    def sign_off(self, person: Person | None = None, **fields: Any) -> Job:
        signer = person or self.technician
        values = {"pin": signer.pin, "content_sha256": self.standing.content_sha256, **fields}
        return jobs.job_sign_off(actor=self.actor(signer), record_id=new_id(), job_id=self.job.pk, **values)

    def end(self, **fields: Any) -> Job:
        values = {"reason": "to be mended elsewhere", "setpoints": self.setpoints, **fields}
        return jobs.job_end(actor=self.actor(), record_id=new_id(), job_id=self.job.pk, **values)
