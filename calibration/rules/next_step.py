"""What is to be done next, in the order in which one thing comes before another.

`next_step` leads a client that knows nothing else through the job. From every step something permitted leads on;
ending the job is permitted in every open state.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import get_args

from ..metrology.corners import Corner
from .course import credible
from .leaks import LeakReason
from .record import ApprovalAsked, EventHappened, Fact, ProposalMade, RoundMeasured, WriteDone
from .reverting import obstacle
from .standing import NextStep, Standing

Rule = Callable[[Standing], NextStep | None]


def next_step(standing: Standing) -> NextStep:
    """The first of the rules that has something to say."""
    for rule in RULES:
        step = rule(standing)
        if step is not None:
            return step
    raise AssertionError("the last rule always answers")


def _closed(standing: Standing) -> NextStep | None:
    return NextStep("done", standing.record.state) if standing.record.is_closed else None


def _paused(standing: Standing) -> NextStep | None:
    return NextStep("paused", "paused") if standing.is_paused else None


def _reverting(standing: Standing) -> NextStep | None:
    """A reversion is exempt from readiness, leaks and stops: it goes on until its goal is stored and measured."""
    if standing.reversion is None:
        return None
    if standing.reversion_arrived:
        return NextStep("settle_and_measure", "reversion_arrived")
    if _unverified_in_a_row(standing) >= 2:
        return NextStep("inspect", "write_not_verified_twice")
    if standing.open_proposal is None:
        return NextStep(_to_read_setpoints(standing), "reversion_interrupted")
    if standing.open_approval is not None and standing.open_approval.subject_id == standing.open_proposal.id:
        return NextStep("get_approval", "proposal")
    reason = "write_not_verified" if _unverified_in_a_row(standing) else "reversion"
    return NextStep("write", reason, _moving(standing.open_proposal))


def _reversion_asked(standing: Standing) -> NextStep | None:
    """A job that was opened to go back to an earlier one's set-points: the proposal leads there."""
    if standing.record.earlier_goal is None or standing.reversion is not None or obstacle(standing) is not None:
        return None
    if _approval_refused(standing):
        return None
    return NextStep("propose", "reversion_asked")


def _no_specification(standing: Standing) -> NextStep | None:
    return NextStep("inspect", "no_specification") if standing.record.specification is None else None


def _stopped(standing: Standing) -> NextStep | None:
    if standing.stops:
        corners = tuple(dict.fromkeys(each.corner for each in standing.stops if each.corner))
        return NextStep("inspect", _why_stopped(standing), corners)
    if _unverified_in_a_row(standing) >= 2:
        return NextStep("inspect", "write_not_verified_twice")
    if _approval_refused(standing):
        return NextStep("inspect", "approval_refused")
    return None


def _why_stopped(standing: Standing) -> str:
    """What stops the job; of a leak whether it is yet to be mended or to be tested again."""
    code = standing.stops[0].code
    if code != "leak_outside":
        return code
    in_order: tuple[str, ...] = get_args(LeakReason)
    reasons = {leak.reason for leak in standing.leaks.values()}
    return next(each for each in in_order if each in reasons)


def _not_ready(standing: Standing) -> NextStep | None:
    if standing.is_ready:
        return None
    if "fail" in standing.readiness.values():
        return NextStep("check_readiness", "readiness_failed")
    lapsed = standing.course.readiness_lapsed
    return NextStep("check_readiness", f"readiness_lapsed_by_{lapsed}" if lapsed else "readiness_missing")


def _concession_pending(standing: Standing) -> NextStep | None:
    approval = standing.open_approval
    if approval is not None and approval.subject == "concession":
        return NextStep("get_approval", "concession")
    return None


def _proposal_open(standing: Standing) -> NextStep | None:
    proposal = standing.open_proposal
    if proposal is None:
        return None
    if standing.open_approval is not None and standing.open_approval.subject_id == proposal.id:
        return NextStep("get_approval", "proposal")
    reason = "write_not_verified" if _unverified_in_a_row(standing) else "proposal"
    return NextStep("write", reason, _moving(proposal))


def _nothing_to_judge(standing: Standing) -> NextStep | None:
    if standing.decision is not None:
        return None
    if standing.assessment is not None:
        return NextStep(_to_read_setpoints(standing), "setpoints_incomplete")
    if standing.course.last_break == "write":
        return NextStep("settle_and_measure", "written")
    return NextStep("measure", f"after_{standing.course.last_break}")


def _to_read_setpoints(standing: Standing) -> str:
    """A round with the counts of every controlled corner; where two in a row lack them, something else is wrong."""
    specification, last = standing.record.specification, standing.course.rounds[-2:]
    assert specification is not None  # asked only where there is one
    in_vain = len(last) == 2 and not any(credible(each.setpoints, specification) for each in last)
    return "inspect" if in_vain else "measure"


def _rejected(standing: Standing) -> NextStep | None:
    """A finding that a manager let stand: the job can only be mended, ended or reverted."""
    if not standing.rejected or _measurements_ask_for_more(standing):
        return None
    corners = tuple(dict.fromkeys(each.corner for each in standing.rejected if each.corner))
    return NextStep("inspect", "finding_rejected", corners)


def _measured(standing: Standing) -> NextStep:
    decision = standing.decision
    assert decision is not None  # the rule before this one answers while nothing is judged
    if decision.step in ("sign_off", "get_approval") and standing.overloaded:
        return NextStep("inspect", "load_capacity_low", standing.overloaded)
    unsure = _contradicted_by_the_latest_round(standing)
    if unsure and decision.step in ("sign_off", "get_approval", "propose"):
        return NextStep("settle_and_measure", "rounds_disagree", unsure)
    if decision.step in ("sign_off", "get_approval") and standing.missing_rulings:
        corners = tuple(dict.fromkeys(each.corner for each in standing.missing_rulings if each.corner))
        return NextStep("get_approval", "rulings_missing", corners)
    if decision.step == "get_approval":
        return _undecidable(standing, decision.corners)
    return NextStep(decision.step, decision.reason, decision.corners)


def _contradicted_by_the_latest_round(standing: Standing) -> tuple[Corner, ...]:
    """Where one more round tells more than those that contradict each other; after that one a manager is asked."""
    latest = str(standing.course.pool[-1].id)
    found = [each for each in standing.missing_rulings if each.code == "rounds_disagree"]
    if any(each.values.get("round") != latest for each in found):
        return ()
    return tuple(each.corner for each in found if each.corner)


def _undecidable(standing: Standing, corners: tuple[Corner, ...]) -> NextStep:
    """A tape cannot decide this tolerance: another person may allow the sign-off all the same."""
    if standing.sign_off_approved:
        return NextStep("sign_off", "undecided_approved", corners)
    refused = standing.sign_off_refused
    if refused is None:
        return NextStep("get_approval", "tape_cannot_decide", corners)
    measured_since = any(
        each.recorded_at > (refused.decided_at or refused.recorded_at) for each in standing.course.pool
    )
    step = "inspect" if measured_since else "settle_and_measure"
    return NextStep(step, "sign_off_refused", corners)


def _measurements_ask_for_more(standing: Standing) -> bool:
    return standing.decision is not None and standing.decision.step not in ("sign_off", "get_approval")


def _unverified_in_a_row(standing: Standing) -> int:
    """Unverified writes of the open proposal since the last verified one or the last round."""
    count = 0
    for fact in reversed(standing.record.facts):
        if isinstance(fact, RoundMeasured | EventHappened):
            break
        if isinstance(fact, ProposalMade) and fact.outcome != "refused":
            break
        if isinstance(fact, WriteDone):
            if fact.verified or fact.proposal_id is None:
                break
            count += 1
    return count


def refusal_of_the_last_proposal(standing: Standing) -> ApprovalAsked | None:
    """That of the last proposal which needed approval; None where it was not refused."""
    asked = [each for each in standing.approvals if each.subject == "proposal"]
    return asked[-1] if asked and asked[-1].decision == "refuse" else None


def _approval_refused(standing: Standing) -> bool:
    """The last proposal's approval was refused, and no round, event or other proposal came since.

    An entry that a limit refused is none: it cannot be written.
    """
    refused = refusal_of_the_last_proposal(standing)
    if refused is None:
        return False
    refused_at = refused.decided_at or refused.recorded_at
    return not any(fact.recorded_at > refused_at and _takes_its_place(fact) for fact in standing.record.facts)


def _takes_its_place(fact: Fact) -> bool:
    is_proposal = isinstance(fact, ProposalMade) and fact.outcome != "refused"
    return is_proposal or isinstance(fact, RoundMeasured | EventHappened)


def _moving(proposal: ProposalMade) -> tuple[Corner, ...]:
    return tuple(
        corner for corner, count in proposal.to_setpoints.items() if proposal.from_setpoints.get(corner) != count
    )


RULES: tuple[Rule, ...] = (
    _closed,
    _paused,
    _reverting,
    _reversion_asked,
    _no_specification,
    _stopped,
    _not_ready,
    _concession_pending,
    _proposal_open,
    _nothing_to_judge,
    _rejected,
    _measured,
)
