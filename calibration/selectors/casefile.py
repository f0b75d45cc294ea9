"""Everything of one job: its rows, the record that the rules read, and where it stands.

Rows are read when they are first asked for. A service appends what it adds, so that the job can be judged again
within the same transaction without reading anything twice.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable
from datetime import datetime
from functools import cached_property
from operator import attrgetter
from typing import Any, TypeVar

from django.db import connection
from django.db.models import Model, QuerySet

from fleet.actor import Actor
from fleet.models import Fitment, Membership, ServiceEvent, Specification
from fleet.worded_once import worded_once

from ..models import (
    Approval,
    Assessment,
    BaselineReset,
    Concession,
    Decision,
    Finding,
    Job,
    JobEnd,
    JobPrior,
    LeakTest,
    Pause,
    Photo,
    Proposal,
    Readiness,
    Reading,
    ReadingStrike,
    Refiling,
    Resumption,
    Reversion,
    Round,
    Ruling,
    SignOff,
    Write,
)
from ..rules import record as facts
from ..rules.consequences import Body
from ..rules.known_before import known_before_from
from ..rules.standing import Standing
from .job_facts import (
    approval_fact,
    common_to_facts,
    concession_fact,
    event_fact,
    finding_fact,
    leak_test_fact,
    proposal_fact,
    readiness_fact,
    round_fact,
    stored_write_fact,
)
from .jobs import job_for
from .specifications import body_of, first_revision_between, pure_specification
from .tyres import tyre_change_unrecorded, tyre_faults
from .vehicle_setpoints import baseline_of, previous_setpoints, unwritten_in, way_back_to

RowT = TypeVar("RowT", bound=Model)

RARE: tuple[type[Model], ...] = (
    Approval,
    Concession,
    Finding,
    JobEnd,
    JobPrior,
    LeakTest,
    Pause,
    Photo,
    Proposal,
    ReadingStrike,
    Refiling,
    Reversion,
    SignOff,
    Write,
)
RARE_OF_VEHICLES: tuple[type[Model], ...] = (BaselineReset, ServiceEvent)


def _exists_sql(model: type[Model]) -> str:
    if model in RARE_OF_VEHICLES:
        return (
            f"SELECT 1 FROM {model._meta.db_table} r "  # noqa: S608  (our own table's name)
            "JOIN calibration_job j ON j.vehicle_id = r.vehicle_id WHERE j.id = %s"
        )
    if model is ReadingStrike:
        return (
            "SELECT 1 FROM calibration_readingstrike s JOIN calibration_reading r ON r.id = s.reading_id "
            "JOIN calibration_round m ON m.id = r.round_id WHERE m.job_id = %s"
        )
    return f"SELECT 1 FROM {model._meta.db_table} WHERE job_id = %s"  # noqa: S608  (our own table's name)


PRESENT_SQL = " UNION ALL ".join(
    f"SELECT '{model._meta.db_table}' WHERE EXISTS ({_exists_sql(model)})" for model in RARE + RARE_OF_VEHICLES
)


@worded_once
def _rows_of(model: type[RowT], job_id: uuid.UUID) -> QuerySet[RowT]:
    return model._default_manager.filter(job=job_id).order_by()


@worded_once
def _readings_in(round_ids: tuple[uuid.UUID, ...]) -> QuerySet[Reading]:
    return Reading.objects.filter(round__in=round_ids).order_by("ordinal")


@worded_once
def _events_within(vehicle_id: uuid.UUID, opened_at: datetime, closed_at: datetime | None) -> QuerySet[ServiceEvent]:
    events = ServiceEvent.objects.filter(vehicle=vehicle_id, recorded_at__gte=opened_at)
    if closed_at:
        events = events.filter(recorded_at__lte=closed_at)
    return events.order_by("happened_at", "id")


@worded_once
def _fitments_until(vehicle_id: uuid.UUID, closed_at: datetime | None) -> QuerySet[Fitment]:
    fitments = Fitment.objects.filter(vehicle=vehicle_id)
    if closed_at:
        fitments = fitments.filter(recorded_at__lte=closed_at)
    return fitments.order_by("fitted_on", "recorded_at", "id")


def case_of(actor: Actor, job_id: uuid.UUID) -> CaseFile:
    """The case file of a job that the actor may see."""
    return CaseFile(job_for(actor, job_id))


class CaseFile:
    """The rows of one job, oldest first, and what follows from them."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self._names: dict[uuid.UUID, str] = {}

    def _rows(self, model: type[RowT]) -> list[RowT]:
        if model in RARE and model._meta.db_table not in self._present:
            return []
        return sorted(
            _rows_of(model, self.job.pk), key=attrgetter("recorded_at", "pk")
        )  # a database's order takes longer to ask for

    @cached_property
    def _present(self) -> set[str]:
        """Of the tables that most jobs or their vehicles have no row in, those in which this one has: one query
        instead of one each."""
        with connection.cursor() as cursor:
            cursor.execute(PRESENT_SQL, [self.job.pk] * len(RARE + RARE_OF_VEHICLES))
            return {row[0] for row in cursor.fetchall()}

    @cached_property
    def readiness(self) -> list[Readiness]:
        return self._rows(Readiness)

    @cached_property
    def rounds(self) -> list[Round]:
        """In the order in which they were recorded, each with its `reading_rows` in order."""
        rounds = self._rows(Round)
        by_round: dict[uuid.UUID, list[Reading]] = {each.pk: [] for each in rounds}
        for reading in _readings_in(tuple(by_round)):
            by_round[reading.round_id].append(reading)
        for each in rounds:
            each.reading_rows = by_round[each.pk]  # type: ignore[attr-defined]
        return rounds

    @cached_property
    def strikes(self) -> list[ReadingStrike]:
        if ReadingStrike._meta.db_table not in self._present:
            return []
        return list(ReadingStrike.objects.filter(reading__round__job=self.job).order_by("recorded_at", "id"))

    @cached_property
    def leak_tests(self) -> list[LeakTest]:
        return self._rows(LeakTest)

    @cached_property
    def assessments(self) -> list[Assessment]:
        return self._rows(Assessment)

    @cached_property
    def proposals(self) -> list[Proposal]:
        return self._rows(Proposal)

    @cached_property
    def writes(self) -> list[Write]:
        return self._rows(Write)

    @property
    def open_proposal_content(self) -> dict[str, Any] | None:
        """The interface's JSON of the open proposal."""
        open_proposal = self.standing.open_proposal
        return next((row.content for row in self.proposals if open_proposal and row.pk == open_proposal.id), None)

    @cached_property
    def concessions(self) -> list[Concession]:
        return self._rows(Concession)

    @cached_property
    def approvals(self) -> list[Approval]:
        return self._rows(Approval)

    @cached_property
    def decisions(self) -> list[Decision]:
        return self._rows(Decision) if self.approvals else []

    @cached_property
    def findings(self) -> list[Finding]:
        return self._rows(Finding)

    @cached_property
    def rulings(self) -> list[Ruling]:
        return self._rows(Ruling) if self.findings else []

    @cached_property
    def pauses(self) -> list[Pause]:
        return self._rows(Pause)

    @cached_property
    def resumptions(self) -> list[Resumption]:
        return self._rows(Resumption) if self.pauses else []

    @cached_property
    def reversions(self) -> list[Reversion]:
        return self._rows(Reversion)

    @cached_property
    def refilings(self) -> list[Refiling]:
        return self._rows(Refiling)

    @cached_property
    def ends(self) -> list[JobEnd]:
        return self._rows(JobEnd)

    @cached_property
    def sign_offs(self) -> list[SignOff]:
        return self._rows(SignOff)

    @cached_property
    def priors(self) -> list[JobPrior]:
        """What was known of the responses when the job opened and, refiled, of those of the right vehicle."""
        return self._rows(JobPrior)

    @cached_property
    def photos(self) -> list[Photo]:
        return self._rows(Photo)

    @cached_property
    def events(self) -> list[ServiceEvent]:
        """Service events on the vehicle since the job opened."""
        if ServiceEvent._meta.db_table not in self._present:
            return []
        return _events_within(self.job.vehicle_id, self.job.opened_at, self.job.closed_at)

    @cached_property
    def fitments(self) -> list[Fitment]:
        return _fitments_until(self.job.vehicle_id, self.job.closed_at)

    @property
    def fitment(self) -> Fitment | None:
        """The tyres now on the vehicle; in a closed job those that were on it then."""
        return self.fitments[-1] if self.fitments else None

    @cached_property
    def specification(self) -> Specification | None:
        """The revision that the job is judged by for ever."""
        job = self.job
        return job.specification or first_revision_between(job.vehicle.vehicle_model_id, job.opened_at, job.closed_at)

    @cached_property
    def body(self) -> Body | None:
        """What consequences of a change of heights are calculated with; None without a specification."""
        return None if self.specification is None else body_of(self.specification.content, self.fitment)

    @cached_property
    def baseline(self) -> dict[Any, int]:
        content = self.specification.content if self.specification else {}
        counts = content.get("setpoint_min"), content.get("setpoint_max")
        may_restart = any(model._meta.db_table in self._present for model in RARE_OF_VEHICLES)
        return baseline_of(self.job.vehicle_id, *counts, may_restart=may_restart)

    @cached_property
    def _previous_setpoints(self) -> facts.Setpoints | None:
        return previous_setpoints(self.job)

    @cached_property
    def _way_back(self) -> tuple[facts.Setpoints | None, facts.Setpoints | None]:
        """Where a reversion of an earlier job goes, and what was read next; not if either was another vehicle's."""
        to_job = self.job.to_job
        if to_job is None or to_job.vehicle_id != self.job.vehicle_id:
            return None, None
        return way_back_to(to_job, self.job.opened_at), unwritten_in(to_job, self.job.opened_at)

    @cached_property
    def _tyre_faults(self) -> tuple[facts.TyreFault, ...]:
        if self.fitment is None or self.specification is None:
            return ()
        return tyre_faults(self.fitment, self.specification.content, self.job)

    @cached_property
    def record(self) -> facts.JobRecord:
        """The record as the rules read it."""
        job, specification = self.job, self.specification
        content = specification.content if specification else {}
        levels = job.pad_levels_mm
        return facts.JobRecord(
            id=job.pk,
            opened_at=job.opened_at,
            opened_by=job.opened_by,
            closed_at=job.closed_at,
            state=job.state,  # type: ignore[arg-type]
            specification=pure_specification(content) if specification else None,
            specification_id=specification.pk if specification else None,
            readiness_not_applicable=frozenset(content.get("readiness_not_applicable", ())),
            pad_levels_mm=tuple(levels[c] for c in ("FL", "FR", "RL", "RR")) if levels else None,
            facts=tuple(sorted(self._facts(), key=lambda fact: (fact.at, fact.recorded_at))),
            findings=tuple(self._findings()),
            baseline=self.baseline,
            previous_setpoints=self._previous_setpoints,
            earlier_goal=self._way_back[0],
            earlier_unwritten=self._way_back[1],
            tyre_faults=self._tyre_faults,
            tyre_change_unrecorded=tyre_change_unrecorded(job, self.fitments),
            known_before=known_before_from(self.priors[-1].known) if self.priors else None,
        )

    @cached_property
    def standing(self) -> Standing:
        return Standing(self.record)

    def judge_again(self) -> None:
        """Forget what followed from the rows, after rows were added."""
        for name in ("record", "standing"):
            self.__dict__.pop(name, None)

    def _facts(self) -> Iterable[facts.Fact]:
        struck = {strike.reading_id for strike in self.strikes}
        decisions = {decision.approval_id: decision for decision in self.decisions}
        yield from (readiness_fact(each) for each in self.readiness)
        yield from (round_fact(each, struck) for each in self.rounds)
        yield from (leak_test_fact(each) for each in self.leak_tests)
        yield from (proposal_fact(each) for each in self.proposals)
        yield from (stored_write_fact(each) for each in self.writes)
        yield from (concession_fact(each) for each in self.concessions)
        for each in self.approvals:
            decision = decisions.get(each.pk)
            refused = decision is not None and decision.decision == Decision.Outcome.REFUSE
            yield approval_fact(each, decision, self._name_of(decision.recorded_by) if decision and refused else "")
        yield from (facts.Paused(*common_to_facts(each)) for each in self.pauses)
        yield from (
            facts.Resumed(*common_to_facts(each), each.setpoints, each.nothing_changed) for each in self.resumptions
        )
        yield from (facts.ReversionBegun(*common_to_facts(each), each.goal) for each in self.reversions)
        yield from (facts.Refiled(*common_to_facts(each)) for each in self.refilings)
        yield from (facts.Ended(*common_to_facts(each), each.setpoints) for each in self.ends)
        yield from (facts.SignedOff(*common_to_facts(each), each.content_sha256) for each in self.sign_offs)
        yield from (event_fact(each, self.job) for each in self.events)
        yield from (
            facts.TyresFitted(*common_to_facts(each)) for each in self.fitments if each.recorded_at > self.job.opened_at
        )

    def _name_of(self, membership_id: uuid.UUID | None) -> str:
        """The name of somebody who decided, looked up once."""
        if membership_id is None:
            return ""
        if membership_id not in self._names:
            found = Membership.objects.filter(pk=membership_id).values_list("name", flat=True).first()
            self._names[membership_id] = found or ""
        return self._names[membership_id]

    def _findings(self) -> Iterable[facts.FindingRaised]:
        rulings = {ruling.finding_id: ruling for ruling in self.rulings}
        for each in self.findings:
            yield finding_fact(each, rulings.get(each.pk))
