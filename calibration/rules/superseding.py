"""What takes the place of an open proposal: a verified write, or whatever makes it rest on something that is past."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .record import (
    ConcessionAsked,
    Ended,
    EventHappened,
    Fact,
    LeakTested,
    ProposalMade,
    Refiled,
    Resumed,
    RoundMeasured,
    TyresFitted,
    WriteDone,
)

if TYPE_CHECKING:
    from .standing import Standing


def is_superseded(standing: Standing, proposal: ProposalMade) -> bool:
    """Whether something recorded since took the proposal's place."""
    since = (fact for fact in standing.record.facts if fact.recorded_at > proposal.recorded_at)
    return any(_supersedes(standing, fact, proposal) for fact in since)


def _supersedes(standing: Standing, fact: Fact, proposal: ProposalMade) -> bool:
    match fact:
        case WriteDone():
            return fact.verified or fact.proposal_id != proposal.id
        case RoundMeasured() | Refiled() | Ended() | EventHappened() | TyresFitted() | ConcessionAsked():
            return True
        case Resumed():
            return fact.id in standing.course.interruptions
        case LeakTested():
            return proposal.kind != "reversion" and _finds_a_leak(standing, fact)
        case _:
            return False


def _finds_a_leak(standing: Standing, test: LeakTested) -> bool:
    return standing.leak_results[test.id].verdict == "outside"
