"""Whole jobs, done through calibration's services in a few lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from calibration.models import Job, LeakTest, Proposal, Round, Write
from calibration.rules.readiness import ITEMS
from calibration.selectors.casefile import CaseFile, case_of
from calibration.services.jobs import job_end, job_open, job_sign_off
from calibration.services.leak_tests import ParkedMoment, leak_test_record
from calibration.services.proposals import proposal_compute
from calibration.services.readiness import readiness_record
from calibration.services.rounds import round_record
from calibration.services.writes import write_record
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import Instrument, Vehicle
from fleet.tenancy import in_workshop
from tests.factories import PIN, Site

CORNERS = ("FL", "FR", "RL", "RR")
WITHIN = (Decimal(486), Decimal(486), Decimal(504), Decimal(504))
LOW_FRONT_LEFT = (Decimal(470), Decimal(486), Decimal(504), Decimal(504))
COUNTS = {"FL": 128, "FR": 128, "RL": 128, "RR": 128}


@dataclass
class Bench:
    """A technician at work on one vehicle; every step takes a minute."""

    site: Site
    vehicle: Vehicle
    instrument: Instrument
    now: datetime
    counts: dict[str, int] = field(default_factory=lambda: dict(COUNTS))
    job: Job | None = None
    clock_is_slow_by: timedelta = timedelta(0)
    """Of the tablet; the service has measured it."""

    @classmethod
    def at(cls, site: Site, **fields: Any) -> Bench:
        vehicle = fields.pop("vehicle", None) or site.vehicle()
        return cls(site, vehicle, site.instrument(), site.began_at + timedelta(hours=1), **fields)

    def actor(self) -> Actor:
        self.now += timedelta(minutes=1)
        device_at = self.by_tablet(self.now) if self.clock_is_slow_by else None
        return self.site.technician.actor(self.now, device_at=device_at)

    def by_tablet(self, at: datetime) -> datetime:
        """What the tablet's clock shows then."""
        return at - self.clock_is_slow_by

    @property
    def job_id(self) -> Any:
        assert self.job is not None
        return self.job.pk

    def case(self) -> CaseFile:
        with in_workshop(self.site.workshop.pk):
            case = case_of(self.site.technician.actor(self.now), self.job_id)
            _ = case.standing.next_step, case.standing.content_sha256
            return case

    def receive(self, **fields: Any) -> Job:
        values = {"reason": "complaint", "odometer_km": Decimal(84210), "note": "Sits low.", **fields}
        with in_workshop(self.site.workshop.pk):
            self.job = job_open(actor=self.actor(), record_id=new_id(), vehicle=self.vehicle, **values)
        return self.job

    def check_readiness(self, **outcomes: Mapping[str, Any]) -> None:
        checks = {item: {"outcome": "pass"} for item in ITEMS} | outcomes
        with in_workshop(self.site.workshop.pk):
            readiness_record(actor=self.actor(), record_id=new_id(), job_id=self.job_id, checks=checks)

    def measure(self, heights: tuple[Decimal, ...], *, spread: Mapping[str, int] | None = None, **fields: Any) -> Round:
        """Two readings at each corner, one millimetre apart, or as far as `spread` says."""
        actor, apart = self.actor(), spread or {}
        readings = [
            {"corner": corner, "height_mm": height + step * apart.get(corner, 1), "confirmed": True}
            for corner, height in zip(CORNERS, heights, strict=True)
            for step in (Decimal(0), Decimal(1))
        ]
        with in_workshop(self.site.workshop.pk):
            return round_record(
                actor=actor,
                record_id=new_id(),
                job_id=self.job_id,
                instrument=self.instrument,
                setpoints=self.counts,
                readings=readings,
                temperature_deg_c=Decimal(14),
                **{"taken_at": self.by_tablet(actor.now), **fields},
            )

    def leak_test(self, *, hours: float = 12, degrees: tuple[Any, Any] = (None, None), **sank: int) -> LeakTest:
        """Parked for so long; the corners named sank by so many millimetres."""
        before = dict(zip(CORNERS, WITHIN, strict=True))
        after = {corner: height - sank.get(corner, 0) for corner, height in before.items()}
        began = self.actor().now
        self.now += timedelta(hours=hours)
        actor = self.actor()
        start, end = (
            ParkedMoment(self.by_tablet(at), heights, None if deg_c is None else Decimal(deg_c), confirmed=True)
            for at, heights, deg_c in zip((began, actor.now), (before, after), degrees, strict=True)
        )
        with in_workshop(self.site.workshop.pk):
            return leak_test_record(
                actor=actor, record_id=new_id(), job_id=self.job_id, instrument=self.instrument, start=start, end=end
            )

    def propose(self) -> Proposal:
        with in_workshop(self.site.workshop.pk):
            return proposal_compute(actor=self.actor(), record_id=new_id(), job_id=self.job_id)

    def write(
        self, proposal: Proposal | None, read_back: Mapping[str, int], *, written_at: datetime | None = None
    ) -> Write:
        actor = self.actor()
        self.counts = dict(read_back)
        with in_workshop(self.site.workshop.pk):
            return write_record(
                actor=actor,
                record_id=new_id(),
                job_id=self.job_id,
                proposal=proposal,
                written_at=written_at or self.by_tablet(actor.now),
                read_back=read_back,
            )

    def sign_off(self) -> Job:
        sha256 = self.case().standing.content_sha256
        with in_workshop(self.site.workshop.pk):
            self.job = job_sign_off(
                actor=self.actor(),
                record_id=new_id(),
                job_id=self.job_id,
                pin=PIN,
                content_sha256=sha256,
                remark="All well.",
            )
        return self.job

    def end(self, reason: str = "A leak must be mended first.") -> Job:
        with in_workshop(self.site.workshop.pk):
            self.job = job_end(
                actor=self.actor(), record_id=new_id(), job_id=self.job_id, reason=reason, setpoints=self.counts
            )
        return self.job


def left_alone(site: Site, **fields: Any) -> Bench:
    """Received, found within tolerance, signed off."""
    bench = Bench.at(site, **fields)
    bench.receive()
    bench.check_readiness()
    bench.measure(WITHIN)
    bench.sign_off()
    return bench


def adjusted(site: Site, **fields: Any) -> Bench:
    """One corner low, one write, within tolerance, signed off."""
    bench = Bench.at(site, **fields)
    bench.receive()
    bench.check_readiness()
    bench.measure(LOW_FRONT_LEFT)
    proposal = bench.propose()
    bench.write(proposal, proposal.to_setpoints)
    bench.measure(WITHIN)
    bench.sign_off()
    return bench


def ended(site: Site, **fields: Any) -> Bench:
    """A readiness item failed, so the job ended without sign-off."""
    bench = Bench.at(site, **fields)
    bench.receive()
    bench.check_readiness(leakage={"outcome": "fail", "note": "hiss at the rear left"})
    bench.measure(LOW_FRONT_LEFT)
    bench.end()
    return bench


def suspect_front_left(bench: Bench) -> None:
    """The front-left corner does not answer to a write, and a second round shows that it is so."""
    bench.measure(LOW_FRONT_LEFT)
    proposal = bench.propose()
    bench.write(proposal, proposal.to_setpoints)
    bench.measure(LOW_FRONT_LEFT)
    bench.measure(LOW_FRONT_LEFT)
