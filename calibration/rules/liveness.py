"""Whether a finding still says something, or was mended, overtaken or accepted."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Mapping

from ..metrology.corners import CORNERS
from .course import VOIDING_KINDS, corners_of, measurement_of
from .leaks import is_latest, still_leaks
from .record import EventHappened, FindingRaised
from .standing import SUSPICION_CODES, Standing

Rule = Callable[[Standing, FindingRaised], bool]
NO_RULING_ENDS = frozenset({"load_capacity_low", "leak_outside"})
"""Other tyres do, or a passed leak test."""


def is_live(standing: Standing, finding: FindingRaised) -> bool:
    """Accepted findings say no more, but for those that no ruling ends; others as their own rule says."""
    if finding.ruling == "accept" and finding.code not in NO_RULING_ENDS:
        return False
    rule = RULES.get(finding.code)
    return rule is None or rule(standing, finding)


def _without_specification(standing: Standing, _finding: FindingRaised) -> bool:
    return standing.record.specification is None


def _without_readiness(standing: Standing, _finding: FindingRaised) -> bool:
    return not standing.is_ready


def _without_tyres(standing: Standing, _finding: FindingRaised) -> bool:
    return standing.record.tyre_change_unrecorded


def _of_present_tyres(standing: Standing, finding: FindingRaised) -> bool:
    return any(
        (each.code, each.corner, each.fitment_id) == (finding.code, finding.corner, finding.source_id)
        for each in standing.record.tyre_faults
    )


def _unmended(standing: Standing, finding: FindingRaised) -> bool:
    """Only work that voids earlier heights mends a corner: an alignment does not."""
    return not any(
        isinstance(fact, EventHappened)
        and fact.recorded_at > finding.recorded_at
        and fact.kind in VOIDING_KINDS
        and (finding.corner is None or finding.corner in corners_of(fact))
        for fact in standing.record.facts
    )


def _not_adjustable_on_this_basis(standing: Standing, finding: FindingRaised) -> bool:
    return _unmended(standing, finding) and finding.values.get("basis") == _text(standing.basis)


def _limits_still_exhausted(standing: Standing, finding: FindingRaised) -> bool:
    """On the same rounds and still so: a concession or a reset of the baseline may have opened a way."""
    decision = standing.decision
    return (
        decision is not None
        and decision.reason == "limits_exhausted"
        and finding.corner in decision.corners
        and standing.course.pool[-1].id == finding.source_id
    )


def _pair_still_disagrees(standing: Standing, finding: FindingRaised) -> bool:
    """A strike, or further readings that settle it by mean or median, end it; a later round does not make it unsaid.

    Where so many were read from the start that their median counts, that stays said.
    """
    measured = next((each for each in standing.course.rounds if str(each.id) == finding.values.get("round")), None)
    if measured is None or finding.corner is None:
        return True
    found = measurement_of(measured).estimates()[CORNERS.index(finding.corner)]
    return found.disagrees and found.estimator == finding.values.get("estimator", found.estimator)


def _rounds_still_disagree(standing: Standing, finding: FindingRaised) -> bool:
    """While both are judged together and their unstruck readings say so."""
    assessment = standing.assessment
    return assessment is not None and any(
        (each.code, each.corner, each.values["round"]) == (finding.code, finding.corner, finding.values.get("round"))
        for each in assessment.findings
        if each.code == finding.code
    )


def _still_twisted(standing: Standing, _finding: FindingRaised) -> bool:
    """Until rounds that were measured since show no twist."""
    assessment = standing.assessment
    return assessment is None or any(each.code == "large_warp" for each in assessment.findings)


def _untouched(standing: Standing, _finding: FindingRaised) -> bool:
    return not standing.course.writes and standing.concession is None


def _still_leaks(standing: Standing, finding: FindingRaised) -> bool:
    return still_leaks(standing.leaks, standing.record, finding)


def _not_tested_since(standing: Standing, finding: FindingRaised) -> bool:
    return is_latest(standing.record, finding)


def _text(identity: uuid.UUID | None) -> str | None:
    return str(identity) if identity else None


RULES: Mapping[str, Rule] = {
    **dict.fromkeys(SUSPICION_CODES, _unmended),
    "no_specification": _without_specification,
    "not_adjustable_here": _not_adjustable_on_this_basis,
    "limits_exhausted": _limits_still_exhausted,
    "leave_alone": _untouched,
    "pair_disagrees": _pair_still_disagrees,
    "rounds_disagree": _rounds_still_disagree,
    "large_warp": _still_twisted,
    "tyre_not_listed": _of_present_tyres,
    "load_capacity_low": _of_present_tyres,
    "measured_before_readiness": _without_readiness,
    "tyres_not_recorded": _without_tyres,
    "leak_outside": _still_leaks,
    "leak_undecided": _not_tested_since,
    "leak_corner_rose": _not_tested_since,
    "leak_test_disturbed": _not_tested_since,
}
