"""Where a job stands: the verdict, the plan and the next step, from everything that happened in it."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TypeVar

import numpy as np

from ..metrology.assessment import Assessment, assess
from ..metrology.corners import CORNERS, Axle, Corner
from ..metrology.decision import Decision, decide
from ..metrology.planner import compute_plan
from ..metrology.planning_case import Plan, PlanningCase, RoundUncertainty, fresh_round
from ..metrology.response import JobPosterior, JointState, ResponsePrior, follow_job, prior_from_specification
from ..metrology.specification import Specification
from ..metrology.suspicion import Suspicion, find_suspicions
from ..metrology.vehicle_response import prior_for_job
from .course import (
    REVERSION_KINDS,
    Course,
    as_counts,
    corners_of,
    credible,
    measurement_of,
    renewed_corners,
    walk,
    way_back,
)
from .leaks import Leak, Results, leaks_of, results_of
from .readiness import is_ready, merged
from .record import (
    ApprovalAsked,
    ConcessionAsked,
    EventHappened,
    Fact,
    FindingRaised,
    JobRecord,
    Paused,
    ProposalMade,
    Refiled,
    Resumed,
    ReversionBegun,
    Setpoints,
)
from .superseding import is_superseded

T = TypeVar("T")
SUSPICION_CODES = frozenset({"corner_not_responding", "corner_reversed", "corner_weak"})


@dataclass(frozen=True, slots=True)
class NextStep:
    """What is to be done now, why (a code for texts), and at which corners."""

    step: str
    reason: str
    corners: tuple[Corner, ...] = ()


class Standing:
    """Everything that follows from a job's record. Each part is computed when it is first asked for."""

    def __init__(self, record: JobRecord) -> None:
        self.record = record
        self.course: Course = walk(record)

    # --- what counts -----------------------------------------------------------------------------------
    @cached_property
    def concession(self) -> ConcessionAsked | None:
        """The concession whose targets are in force."""
        approved = {
            each.subject_id for each in self.approvals if each.subject == "concession" and each.decision == "approve"
        }
        granted = [each for each in self._of(ConcessionAsked) if each.id in approved and not self._refiled_since(each)]
        return granted[-1] if granted else None

    @cached_property
    def basis(self) -> uuid.UUID | None:
        """What the verdicts rest on beside the measurements: the last refiling or the concession in force."""
        refiled = self._of(Refiled)
        if self.concession is not None:
            return self.concession.id
        return refiled[-1].id if refiled else None

    @cached_property
    def specification(self) -> Specification | None:
        """The specification with the targets in force."""
        specification = self.record.specification
        if specification is None or self.concession is None:
            return specification
        return replace(
            specification,
            front=replace(specification.front, target_mm=self.concession.front_target_mm),
            rear=replace(specification.rear, target_mm=self.concession.rear_target_mm),
        )

    @cached_property
    def readiness(self) -> dict[str, str]:
        return merged(self.record, self.course.readiness)

    @cached_property
    def not_adjustable(self) -> tuple[Corner, ...]:
        """Corners that the planner found no permitted count to improve."""
        return tuple(corner for corner in CORNERS if any(each.corner == corner for each in self._found_not_adjustable))

    @cached_property
    def sides_not_adjustable(self) -> tuple[Axle, ...]:
        axles: tuple[Axle, Axle] = ("front", "rear")
        return tuple(
            axle for axle in axles if any(each.values.get("axle") == axle for each in self._found_not_adjustable)
        )

    @cached_property
    def _found_not_adjustable(self) -> list[FindingRaised]:
        return [
            each
            for each in self.record.findings
            if each.code == "not_adjustable_here" and each.values.get("found_by") == "planner" and self.is_live(each)
        ]

    @cached_property
    def assessment(self) -> Assessment | None:
        """The verdict on the present pool of rounds; None while there is none to judge."""
        if self.specification is None or not self.course.pool:
            return None
        return assess(
            [measurement_of(each) for each in self.course.pool],
            self.specification,
            not_adjustable=self.not_adjustable,
            sides_not_adjustable=self.sides_not_adjustable,
            pad_levels_mm=self.record.pad_levels_mm,
        )

    @cached_property
    def as_found_assessment(self) -> Assessment | None:
        """The verdict on the vehicle as it was found, by the specification's own targets; None where none was judged.

        Work on the vehicle, a concession or a write that came afterwards does not change what was found.
        """
        if self.record.specification is None or not self.course.found:
            return None
        found = [measurement_of(each) for each in self.course.found]
        return assess(found, self.record.specification, pad_levels_mm=self.record.pad_levels_mm)

    @cached_property
    def prior(self) -> ResponsePrior | None:
        """What the job takes for known of the responses; at corners worked on since it opened, of the model alone."""
        if self.record.specification is None:
            return None
        if self.record.known_before is None:
            return prior_from_specification(self.record.specification)
        return prior_for_job(self.record.known_before, renewed_corners(self.record))

    @cached_property
    def posterior(self) -> JobPosterior | None:
        """What the job's rounds and writes taught about heights and responses."""
        if self.prior is None or not self.course.history:
            return None
        return follow_job(self.prior, self.course.history)

    @cached_property
    def suspicions(self) -> tuple[Suspicion, ...]:
        """Suspicions that no ruling has accepted."""
        if self.posterior is None:
            return ()
        accepted = {
            (each.corner, each.values.get("move"))
            for each in self.record.findings
            if each.code in SUSPICION_CODES and each.ruling == "accept"
        }
        return tuple(each for each in find_suspicions(self.posterior) if (each.corner, each.move) not in accepted)

    @cached_property
    def planning_case(self) -> PlanningCase | None:
        """What a proposal starts from; None where there is nothing to plan on."""
        specification, assessment = self.specification, self.assessment
        if specification is None or assessment is None or self.posterior is None or self.course.stored is None:
            return None
        if not credible(self.course.stored, specification):
            return None
        baseline = {
            **self.course.stored,
            **{c: n for c, n in self.record.baseline.items() if c in self.course.stored},
        }
        return PlanningCase(
            specification=specification,
            state=self.posterior.state,
            baseline=as_counts(baseline),
            freed=tuple(each.corner for each in assessment.corners if each.freed),
            round_uncertainty=fresh_round(measurement_of(self.course.pool[-1]), specification.settling_mm),
            prior_source=self.posterior.prior.source,
            prior_vehicles=self.posterior.prior.vehicles,
            suspect=tuple(each.corner for each in self.suspicions),
            not_adjustable=self.not_adjustable,
            sides_not_adjustable=self.sides_not_adjustable,
        )

    @property
    def bare_planning_case(self) -> PlanningCase:
        """The stored set-points alone, for a way back from where nothing was measured."""
        specification, stored = self.record.specification, self.course.stored
        assert specification is not None  # a reversion begins only where both are known
        assert stored is not None
        return PlanningCase(
            specification=specification,
            state=JointState(np.zeros(8), np.eye(8), as_counts(stored)),
            baseline=as_counts(stored),
            freed=(),
            round_uncertainty=RoundUncertainty((0.0,) * 4, (0.0,) * 4, (0.0,) * 4, (0.0, 0.0)),
        )

    @cached_property
    def plan(self) -> Plan | None:
        """The computed proposal for the present pool; None where nothing is freed."""
        case = self.planning_case
        return compute_plan(case) if case is not None and case.freed else None

    @cached_property
    def decision(self) -> Decision | None:
        """What the measurements ask for; None while there is nothing judged."""
        if self.assessment is None or self._cannot_plan:
            return None
        return decide(self.assessment, self.plan, writes=len(self.course.writes), suspicions=self.suspicions)

    @property
    def _cannot_plan(self) -> bool:
        """Something is to be moved, but the set-points on record are not those of the controlled corners."""
        assert self.assessment is not None  # the caller has looked
        return self.planning_case is None and any(each.freed for each in self.assessment.corners)

    @cached_property
    def leak_results(self) -> Results:
        """Every leak test as the job's specification judges it."""
        return results_of(self.record)

    @cached_property
    def leaks(self) -> Mapping[Corner, Leak]:
        """Corners that sink too fast, or were mended and passed no test since."""
        return leaks_of(self.record, self.leak_results)

    # --- what is open ----------------------------------------------------------------------------------
    @cached_property
    def open_proposal(self) -> ProposalMade | None:
        """The last proposal that no limit refused, while nothing has superseded it."""
        proposals = [each for each in self._of(ProposalMade) if each.outcome != "refused"]
        if not proposals:
            return None
        last = proposals[-1]
        if self._decision_on(last) == "refuse" or is_superseded(self, last):
            return None
        return last

    def _decision_on(self, proposal: ProposalMade) -> str | None:
        """The decision on a proposal's approval; None while it is open or none was asked."""
        return next((each.decision for each in self.approvals if each.subject_id == proposal.id), None)

    @cached_property
    def open_approval(self) -> ApprovalAsked | None:
        """The approval that somebody is to decide now."""
        return next((each for each in reversed(self.approvals) if self.approval_is_open(each)), None)

    def approval_is_open(self, approval: ApprovalAsked) -> bool:
        """Undecided, and what it is about still stands as it was."""
        if approval.decision is not None or self.record.is_closed:
            return False
        if approval.subject == "proposal":
            return self.open_proposal is not None and self.open_proposal.id == approval.subject_id
        if approval.subject == "concession":
            concessions = self._of(ConcessionAsked)
            return bool(concessions) and concessions[-1].id == approval.subject_id and not self._refiled_since(approval)
        return approval.content_sha256 == self.content_sha256

    def _refiled_since(self, fact: Fact) -> bool:
        return any(each.recorded_at > fact.recorded_at for each in self._of(Refiled))

    @cached_property
    def sign_off_approved(self) -> bool:
        """Signing off with undecided corners was approved for exactly this record."""
        return any(
            each.subject == "sign_off" and each.decision == "approve" and each.content_sha256 == self.content_sha256
            for each in self.approvals
        )

    @cached_property
    def sign_off_refused(self) -> ApprovalAsked | None:
        """The refusal of a sign-off on rounds that are still the ones that count."""
        refused = [each for each in self.approvals if each.subject == "sign_off" and each.decision == "refuse"]
        if not refused or not self.course.pool or self._refiled_since(refused[-1]):
            return None
        return refused[-1] if refused[-1].recorded_at >= self.course.pool[0].recorded_at else None

    @cached_property
    def reversion(self) -> ReversionBegun | None:
        """The reversion under way. A refusal, a refiling, or work on a corner ends it."""
        begun = self._of(ReversionBegun)
        return begun[-1] if begun and not self._reversion_voided(begun[-1]) else None

    def _reversion_voided(self, begun: ReversionBegun) -> bool:
        worked_on = (
            each for each in self._of(EventHappened) if each.kind in REVERSION_KINDS and each.at >= begun.recorded_at
        )
        refused = any(a.decision == "refuse" and a.recorded_at >= begun.recorded_at for a in self.approvals)
        is_another = any(set(corners_of(each)) & set(begun.goal) for each in worked_on)
        return refused or is_another or self._refiled_since(begun)

    @cached_property
    def goal(self) -> Setpoints | None:
        """Where a reversion would go from here."""
        return self.reversion.goal if self.reversion else way_back(self.record, self.course)

    @cached_property
    def reversion_arrived(self) -> bool:
        return self.reversion is not None and self.course.stored == self.reversion.goal

    @cached_property
    def reversion_complete(self) -> bool:
        """The goal is stored and a round was measured there since."""
        return (
            self.reversion_arrived
            and bool(self.course.pool)
            and (
                self.course.pool[-1].recorded_at > self.reversion.recorded_at  # type: ignore[union-attr]
            )
        )

    # --- findings --------------------------------------------------------------------------------------
    def is_live(self, finding: FindingRaised) -> bool:
        """Whether a finding still says something: mended, overtaken or accepted ones do not."""
        from .liveness import is_live

        return is_live(self, finding)

    @cached_property
    def overloaded(self) -> tuple[Corner, ...]:
        """Corners whose tyre bears too little: no ruling helps, only other tyres or other load data."""
        return tuple(each.corner for each in self.record.tyre_faults if each.code == "load_capacity_low")

    @cached_property
    def stops(self) -> tuple[FindingRaised, ...]:
        """Findings that block every proposal but a reversion."""
        return tuple(each for each in self.record.findings if each.severity == "stop" and self.is_live(each))

    @cached_property
    def missing_rulings(self) -> tuple[FindingRaised, ...]:
        """Findings for review without a ruling."""
        return tuple(
            each
            for each in self.record.findings
            if each.severity == "review"
            and each.ruling is None
            and each.code != "load_capacity_low"
            and self.is_live(each)
        )

    @cached_property
    def rejected(self) -> tuple[FindingRaised, ...]:
        """Findings for review on which the ruling was that they stand."""
        return tuple(
            each
            for each in self.record.findings
            if each.severity == "review"
            and each.ruling == "reject"
            and each.code != "load_capacity_low"
            and self.is_live(each)
        )

    # --- next step -------------------------------------------------------------------------------------
    @cached_property
    def next_step(self) -> NextStep:
        from .next_step import next_step

        return next_step(self)

    @cached_property
    def content_sha256(self) -> str:
        from .content import content_sha256

        return content_sha256(self)

    @cached_property
    def is_ready(self) -> bool:
        return is_ready(self.readiness)

    @cached_property
    def is_paused(self) -> bool:
        pauses = [each for each in self.record.facts if isinstance(each, Paused | Resumed)]
        return bool(pauses) and isinstance(pauses[-1], Paused)

    @cached_property
    def approvals(self) -> list[ApprovalAsked]:
        return self._of(ApprovalAsked)

    def _of(self, kind: type[T]) -> list[T]:
        return [each for each in self.record.facts if isinstance(each, kind)]
