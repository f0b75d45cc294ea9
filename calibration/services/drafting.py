"""Storing proposals, whatever they came from, and those that a reversion under way asks for by itself."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.conf import settings
from django.utils.translation import override

from fleet.ids import new_id

from ..metrology.corners import CORNERS, Corner
from ..metrology.limits import ProposalKind
from ..metrology.planner import Changes, predict
from ..metrology.planning_case import CornerReason, LimitCheck, PlanningCase, Prediction
from ..metrology.provenance import PROVENANCE
from ..models import Approval, Proposal
from ..rules import reverting
from ..rules.proposal_document import document_sha256, outcome_of, proposal_document
from ..rules.proposal_reasons import reasons_of_reversion

if TYPE_CHECKING:
    from .step import JobStep


@dataclass(frozen=True, slots=True)
class Draft:
    """What a proposal is made of."""

    kind: ProposalKind
    changes: Changes
    prediction: Prediction | None
    limits: tuple[LimitCheck, ...]
    reasons: Mapping[Corner, CornerReason]
    expected_writes: int
    justification: str = ""


def keep_proposal(step: JobStep, proposal_id: uuid.UUID, case: PlanningCase, draft: Draft) -> Proposal:
    """Store a proposal and, where a soft limit asks for it, the request for approval."""
    body = step.case.body
    assert body is not None  # a planning case rests on a specification
    with override(settings.LANGUAGE_CODE):  # the record keeps to one language; `rules.wording` gives the reader's
        document = proposal_document(
            case,
            body=body,
            changes=draft.changes,
            prediction=draft.prediction,
            limits=draft.limits,
            reasons=draft.reasons,
            expected_writes=draft.expected_writes,
        )
    before, after = _map(case.state.setpoints), _map(case.setpoints_after(draft.changes))
    proposal = Proposal(
        id=proposal_id,
        **step.common(),
        kind=draft.kind,
        outcome=outcome_of(draft.limits),
        from_setpoints=before,
        to_setpoints=after,
        justification=draft.justification,
        content=document,
        content_sha256=document_sha256(document, before, after),
        computed_with=PROVENANCE,
    )
    step.add(proposal, "proposals")
    if proposal.outcome == Proposal.Outcome.NEEDS_APPROVAL:
        step.ask_for_approval(Approval.Subject.PROPOSAL, proposal.content_sha256, proposal=proposal)
    return proposal


def propose_reversion(step: JobStep, proposal_id: uuid.UUID) -> Proposal:
    """The next step-limited proposal on the way back; nothing stands in its way."""
    standing = step.standing
    case, goal = reverting.reversion_case(standing), standing.goal
    assert goal is not None  # the reversion that is under way has one
    changes, limits = reverting.next_changes(case, goal)
    draft = Draft(
        kind="reversion",
        changes=changes,
        prediction=predict(case, changes) if standing.planning_case is not None else None,
        limits=(*limits, *reverting.checks_of_doubt(standing)),
        reasons=reasons_of_reversion(case, changes),
        expected_writes=reverting.steps_left(case, goal),
    )
    return keep_proposal(step, proposal_id, case, draft)


def go_on_reverting(step: JobStep) -> None:
    """A reversion under way whose proposal was written or superseded gets its next one, where it can."""
    standing = step.standing
    if not step.job.is_open or standing.is_paused or standing.reversion is None:
        return
    if standing.open_proposal is None and reverting.obstacle(standing) is None:
        propose_reversion(step, new_id())


def _map(counts: tuple[int | None, ...]) -> dict[str, int]:
    return {corner: count for corner, count in zip(CORNERS, counts, strict=True) if count is not None}
