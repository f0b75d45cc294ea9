"""One visit of one vehicle: somebody with a tape follows the job's next step through the real services."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any, Final

from calibration.models import Job, Proposal, Round, Write
from calibration.rules.readiness import ITEMS
from calibration.rules.standing import Standing
from calibration.selectors.casefile import CaseFile, case_of
from calibration.services import decisions, jobs, leak_tests, proposals, readiness, rounds, writes
from calibration.services.leak_tests import ParkedMoment
from fleet import services
from fleet.actor import Actor
from fleet.ids import new_id
from fleet.models import Vehicle

from .clock import next_working_day, person_at
from .simulated_tape import Tape
from .simulated_vehicle import CORNER_NAMES, SimulatedVehicle
from .workshop import DemoWorkshop

MOST_STEPS: Final = 40
READINGS: Final = 2
"""Of a corner, by each person."""
NIGHT: Final = timedelta(hours=16)
MINUTES: Final = {
    "readiness": 14,
    "round": 9,
    "settle": 6,
    "again": 3,
    "park": 12,
    "proposal": 1,
    "write": 5,
    "decision": 22,
    "sign_off": 2,
}
"""How long each thing takes in the bay."""


class EndlessVisitError(RuntimeError):
    """The next step led round in circles."""


@dataclass(frozen=True, slots=True)
class Rest:
    """When a piece of a story was over, and when it goes on; None at its end."""

    over_at: datetime
    goes_on_at: datetime | None = None


@dataclass
class Visit:
    """A job on the way. `now` is the time in the bay; every step takes its while."""

    demo: DemoWorkshop
    vehicle: Vehicle
    simulated: SimulatedVehicle
    tape: Tape
    technician: str
    now: datetime
    job: Job = field(init=False)
    approver: str = "manager"

    def open(self, reason: str, odometer_km: int, note: str = "") -> Visit:
        self.job = jobs.job_open(
            actor=self.acting(),
            record_id=new_id(),
            vehicle=self.vehicle,
            reason=reason,
            odometer_km=Decimal(odometer_km),
            bay=self.demo.bay,
            note=note,
        )
        return self

    # --- who and when -----------------------------------------------------------------------------------
    def acting(self, person: str | None = None) -> Actor:
        return person_at(self.demo.members[person or self.technician], self.now)

    def after(self, what: str | timedelta) -> None:
        """Time passes."""
        self.now += what if isinstance(what, timedelta) else timedelta(minutes=MINUTES[what])

    def until(self, days: int, hour: int) -> Rest:
        """The work rests until a later working day."""
        return self._rest_until(next_working_day(self.now, days, hour))

    def _rest_until(self, later: datetime) -> Rest:
        rest = Rest(self.now, later)
        self.now = later
        return rest

    @property
    def case(self) -> CaseFile:
        return case_of(self.acting(), self.job.pk)

    @property
    def standing(self) -> Standing:
        return self.case.standing

    # --- following the next step ------------------------------------------------------------------------
    def follow(self, until: Iterable[str] = ("done",)) -> str:
        """Do what the next step says until it is one of the given; gives that one."""
        stop = frozenset(until) | {"done", "inspect", "paused"}
        for _ in range(MOST_STEPS):
            standing = self.standing
            if standing.next_step.step in stop:
                return standing.next_step.step
            self._do(standing)
        raise EndlessVisitError(f"job {self.job.number}: {self.standing.next_step}")

    def _do(self, standing: Standing) -> None:
        match standing.next_step.step:
            case "check_readiness":
                self.check()
            case "measure":
                self.measure()
            case "settle_and_measure":
                self.simulated.settle()
                self.after("settle")
                self.measure()
            case "read_again":
                self.read_again(standing)
            case "propose":
                self.propose()
            case "get_approval":
                self.decide(standing)
            case "write":
                self.write(standing)
            case "sign_off":
                self.sign_off(standing)

    def check(self, failed: Mapping[str, str] | None = None) -> None:
        """Readiness; `failed` items with what was found."""
        self.after("readiness")
        found = failed or {}
        checks: dict[str, dict[str, Any]] = {
            item: {"outcome": "fail", "note": found[item]} if item in found else {"outcome": "pass"} for item in ITEMS
        }
        readiness.readiness_record(actor=self.acting(), record_id=new_id(), job_id=self.job.pk, checks=checks)

    def measure(
        self, misread_mm: Mapping[str, int] | None = None, readers: Sequence[str] = (), readings: int = READINGS
    ) -> Round:
        """A round, by the technician or by several `readers`, each `readings` times at every corner.

        At a corner in `misread_mm` the last reading is wrong by so much.
        """
        self.after("round")
        wrong = dict(misread_mm or {})
        taken = [
            self._reading(corner, wrong.get(corner, 0) if number == readings - 1 else 0, tape)
            | {"measured_by": self.demo.members[reader]}
            for reader, tape in self._tapes(readers or (self.technician,))
            for corner in CORNER_NAMES
            for number in range(readings)
        ]
        return rounds.round_record(
            actor=self.acting(),
            record_id=new_id(),
            job_id=self.job.pk,
            taken_at=self.now,
            instrument=self.demo.tape,
            temperature_deg_c=Decimal(14),
            setpoints=self.simulated.read_setpoints(),
            readings=taken,
        )

    def _tapes(self, readers: Sequence[str]) -> Iterator[tuple[str, Tape]]:
        """Everybody reads a tape in their own way."""
        for reader in readers:
            yield reader, self.tape if reader == self.technician else self.tape.of_another_person()

    def read_again(self, standing: Standing) -> None:
        """Further readings where the assessment wants them."""
        assert standing.assessment is not None
        self.after("again")
        readings = [self._reading(each.corner) for each in standing.assessment.corners for _ in range(each.read_again)]
        rounds.readings_add(
            actor=self.acting(), record_id=new_id(), round_id=standing.course.pool[-1].id, readings=readings
        )

    def _reading(self, corner: str, wrong_by_mm: int = 0, tape: Tape | None = None) -> dict[str, Any]:
        return {"corner": corner, "height_mm": Decimal((tape or self.tape).read(self.simulated, corner) + wrong_by_mm)}

    def propose(self) -> Proposal:
        self.after("proposal")
        return proposals.proposal_compute(actor=self.acting(), record_id=new_id(), job_id=self.job.pk)

    def enter(self, shift_counts: Mapping[str, int], justification: str) -> Proposal:
        """A proposal by hand."""
        self.after("again")
        stored = self.simulated.read_setpoints()
        return proposals.proposal_enter(
            actor=self.acting(),
            record_id=new_id(),
            job_id=self.job.pk,
            setpoints={corner: count + shift_counts.get(corner, 0) for corner, count in stored.items()},
            justification=justification,
        )

    def write(self, standing: Standing) -> Write:
        """Store what the open proposal says, and read it back."""
        self.after("write")
        wanted = standing.open_proposal
        assert wanted is not None
        proposal = Proposal.objects.get(pk=wanted.id)
        return writes.write_record(
            actor=self.acting(),
            record_id=new_id(),
            job_id=self.job.pk,
            proposal=proposal,
            written_at=self.now,
            read_back=self.simulated.write(proposal.to_setpoints),
        )

    def decide(self, standing: Standing, reason: str = "Looked at the vehicle and the figures; go ahead.") -> None:
        """What the manager was asked for: an approval, or rulings on findings."""
        self.after("decision")
        if standing.open_approval is None:
            self.rule(standing, reason)
            return
        decisions.approval_decide(
            actor=self.acting(self.approver),
            record_id=new_id(),
            approval_id=standing.open_approval.id,
            decision="approve",
            reason=reason,
            content_sha256=standing.open_approval.content_sha256,
        )

    def rule(self, standing: Standing, reason: str) -> None:
        for finding in standing.missing_rulings:
            decisions.finding_rule(
                actor=self.acting("manager"),
                record_id=new_id(),
                job_id=self.job.pk,
                finding_id=finding.id,
                decision="accept",
                reason=reason,
            )

    def sign_off(self, standing: Standing, remark: str = "") -> None:
        self.after("sign_off")
        jobs.job_sign_off(
            actor=self.acting(),
            record_id=new_id(),
            job_id=self.job.pk,
            pin=self.demo.people[self.technician].pin,
            content_sha256=standing.content_sha256,
            remark=remark,
        )

    # --- what happens on the side -----------------------------------------------------------------------
    def strike(self, by: str, corner: str, reason: str) -> None:
        """Somebody else strikes the corner's farthest reading and reads again in its place."""
        self.after("again")
        latest = self.case.rounds[-1]
        taken: Sequence[Any] = [each for each in latest.reading_rows if each.corner == corner]  # type: ignore[attr-defined]
        middle = sorted(each.height_mm for each in taken)[len(taken) // 2]
        farthest = max(taken, key=lambda each: abs(each.height_mm - middle))
        rounds.reading_strike(
            actor=self.acting(by),
            record_id=new_id(),
            reading_id=farthest.pk,
            reason=reason,
            replacement={"height_mm": Decimal(self.tape.read(self.simulated, corner)), "confirmed": False},
        )

    def test_overnight(self, from_deg_c: float, to_deg_c: float) -> Iterator[Rest]:
        """A leak test from one day to the next, with the engine off, outdoors."""
        self.after("park")
        start = self._parked_moment(from_deg_c)
        yield self._rest_until(self.now + NIGHT)
        self.simulated.stand_parked(NIGHT / timedelta(hours=1), from_deg_c, to_deg_c)
        leak_tests.leak_test_record(
            actor=self.acting(),
            record_id=new_id(),
            job_id=self.job.pk,
            instrument=self.demo.tape,
            start=start,
            end=self._parked_moment(to_deg_c),
        )
        self.simulated.settle()

    def _parked_moment(self, temperature_deg_c: float) -> ParkedMoment:
        heights = {corner: Decimal(self.tape.read(self.simulated, corner)) for corner in CORNER_NAMES}
        return ParkedMoment(self.now, heights, Decimal(str(temperature_deg_c)), confirmed=True)

    def fit(self, tyre: Mapping[str, Any]) -> None:
        """Four of these tyres."""
        self.after(timedelta(minutes=40))
        services.fitment_record(
            actor=self.acting(),
            record_id=new_id(),
            vehicle=self.vehicle,
            fitted_on=self.now.date(),
            tyres=dict.fromkeys(CORNER_NAMES, tyre),
        )

    def event(self, kind: str, corner: str, note: str) -> None:
        services.event_record(
            actor=self.acting(),
            record_id=new_id(),
            vehicle=self.vehicle,
            kind=kind,
            corner=corner,
            happened_at=self.now,
            note=note,
        )

    def pause(self, reason: str) -> None:
        self.after("again")
        jobs.job_pause(actor=self.acting(), record_id=new_id(), job_id=self.job.pk, reason=reason)

    def resume(self, reason: str, *, nothing_changed: bool) -> None:
        self.after("again")
        jobs.job_resume(
            actor=self.acting(),
            record_id=new_id(),
            job_id=self.job.pk,
            reason=reason,
            setpoints=self.simulated.read_setpoints(),
            nothing_changed=nothing_changed,
        )

    def end(self, reason: str) -> None:
        self.after("again")
        jobs.job_end(
            actor=self.acting(),
            record_id=new_id(),
            job_id=self.job.pk,
            reason=reason,
            setpoints=self.simulated.read_setpoints(),
        )

    def ask_for_concession(self, front_target_mm: int, rear_target_mm: int, reason: str, by: str) -> None:
        self.after("again")
        proposals.concession_request(
            actor=self.acting(),
            record_id=new_id(),
            job_id=self.job.pk,
            front_target_mm=Decimal(front_target_mm),
            rear_target_mm=Decimal(rear_target_mm),
            reason=reason,
            acknowledged_by=by,
            acknowledged_on=self.now.date(),
        )

    def go_back(self, reason: str) -> None:
        self.after("again")
        proposals.reversion_begin(actor=self.acting(), record_id=new_id(), job_id=self.job.pk, reason=reason)
