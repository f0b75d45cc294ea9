"""What is to be done next, from the pooled verdict, the plan and the suspicions (sections 3, 5 and 6)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from .assessment import Assessment
from .conformity import Verdict, joint_verdict
from .corners import CORNERS, CORNERS_OF, Axle, Corner
from .planner import Plan
from .suspicion import Suspicion

Step = Literal["read_again", "settle_and_measure", "propose", "get_approval", "inspect", "sign_off"]
DecisionReason = Literal[
    "pair_disagrees",
    "suspicion_confirmed",
    "confirm_suspicion",
    "all_within",
    "outside",
    "side_difference_outside",
    "undecided_but_improvable",
    "readings_can_decide",
    "round_can_decide",
    "tape_cannot_decide",
    "limits_exhausted",
    "too_many_writes",
]

MAX_WRITES = 6
MAX_POOLED_ROUNDS = 3
MAX_ROUNDS_BEFORE_CHANGE = 6
"""While nothing was written, rounds beyond three are worth it where so many together are expected to decide."""
ROUNDS_BEFORE_ADJUSTING_WHAT_LIES_INSIDE = 4
"""One more than three leaves alone half of the true vehicles that would be adjusted on noise (4 mm, simulated)."""


@dataclass(frozen=True, slots=True)
class Decision:
    """The next step, why, and the corners that it is about.

    | step | reasons | corners |
    |---|---|---|
    | read_again | pair_disagrees, readings_can_decide | to be read again (how often: `CornerAssessment.read_again`) |
    | settle_and_measure | confirm_suspicion, round_can_decide | suspect; undecided |
    | propose | outside, side_difference_outside, undecided_but_improvable | that the plan moves (never none) |
    | get_approval | tape_cannot_decide | undecided (sign-off with undecided corners) |
    | inspect | suspicion_confirmed, limits_exhausted, too_many_writes | concerned |
    | sign_off | all_within | none |

    `side_difference_outside`: no corner is outside, but left and right differ by more than they may.

    `not_adjustable_here`, `sides_not_adjustable_here`: what this decision found that no permitted count can
    improve; the caller records the finding and hands them to `assess` from now on.
    """

    step: Step
    reason: DecisionReason
    corners: tuple[Corner, ...] = ()
    not_adjustable_here: tuple[Corner, ...] = ()
    sides_not_adjustable_here: tuple[Axle, ...] = ()


def decide(assessment: Assessment, plan: Plan | None, *, writes: int, suspicions: Sequence[Suspicion] = ()) -> Decision:
    """The next step of a job whose newest settled round has been judged.

    `plan`: from `compute_plan` on this assessment's freed corners; None where nothing is freed (the same as
    an empty plan). `writes`: of the job so far. `suspicions`: those that no ruling has accepted. Steps that
    need no calculation (readiness, first round, an open proposal, approvals, pause) are the caller's.
    """
    repeats = [each.corner for each in assessment.corners if each.repeats_wanted]
    if repeats:
        return Decision("read_again", "pair_disagrees", tuple(repeats))
    confirmed = _corners_of(s for s in suspicions if s.finding is not None)
    if confirmed:
        return Decision("inspect", "suspicion_confirmed", confirmed)
    open_suspicions = _corners_of(s for s in suspicions if not s.confirmed)
    if open_suspicions:
        return Decision("settle_and_measure", "confirm_suspicion", open_suspicions)
    if assessment.verdict == "within":
        return Decision("sign_off", "all_within")
    if assessment.verdict == "outside":
        return _decide_outside(assessment, plan, writes)
    return _decide_undecided(assessment, plan, writes)


def _decide_outside(assessment: Assessment, plan: Plan | None, writes: int) -> Decision:
    if plan is None or plan.is_empty:
        return _without_change(assessment, plan)
    if writes >= MAX_WRITES:
        return Decision("inspect", "too_many_writes", _concerned(assessment, "outside"))
    corner_outside = any(each.adjustable and each.verdict == "outside" for each in assessment.corners)
    return Decision("propose", "outside" if corner_outside else "side_difference_outside", _moved(plan))


def _decide_undecided(assessment: Assessment, plan: Plan | None, writes: int) -> Decision:
    """Nothing outside but something undecided: read, then settle and measure, then propose or ask.

    The design stops at three rounds; where nothing was written yet and more can still show that all is within, that
    would adjust on noise (tolerances of 4 mm: one true vehicle in ten, simulated).
    """
    readable = tuple(each.corner for each in assessment.corners if each.readings_to_decide)
    if readable:
        return Decision("read_again", "readings_can_decide", readable)
    another_round = Decision("settle_and_measure", "round_can_decide", _concerned(assessment, "undecided"))
    is_untouched_and_inside = writes == 0 and _lies_inside(assessment)
    if len(assessment.rounds) < MAX_POOLED_ROUNDS or (is_untouched_and_inside and _rounds_can_decide(assessment)):
        return another_round
    if plan is None or plan.is_empty:
        return _without_change(assessment, plan)
    if is_untouched_and_inside and len(assessment.rounds) < ROUNDS_BEFORE_ADJUSTING_WHAT_LIES_INSIDE:
        return another_round
    if writes >= MAX_WRITES:
        return Decision("inspect", "too_many_writes", _concerned(assessment, "undecided"))
    return Decision("propose", "undecided_but_improvable", _moved(plan))


def _lies_inside(assessment: Assessment) -> bool:
    """To change a vehicle that is rather within tolerance than not would be to adjust on noise."""
    inside = [abs(each.deviation_mm) < each.tolerance_mm for each in assessment.corners if each.adjustable]
    inside += [abs(each.difference_mm) < each.limit_mm for each in assessment.sides if each.adjustable]
    return all(inside)


def _rounds_can_decide(assessment: Assessment) -> bool:
    """Marks and instrument limit what rounds can do: where a tape can decide at all, it does so within these."""
    further = assessment.rounds_to_decide
    return further is not None and len(assessment.rounds) + further <= MAX_ROUNDS_BEFORE_CHANGE


def _without_change(assessment: Assessment, plan: Plan | None) -> Decision:
    """The optimum is no change: a limit stops it, or nothing here improves it, or a tape cannot decide."""
    if plan is not None and plan.limits_exhausted:
        return Decision("inspect", "limits_exhausted", plan.limits_exhausted)
    kept = tuple(r.corner for r in plan.reasons if r.code == "stays_suspect") if plan is not None else ()
    if kept:
        return Decision("inspect", "suspicion_confirmed", kept)
    corners, sides = _beyond_adjustment(assessment, plan)
    rest = _without(assessment, corners, sides)
    verdicts = [each.verdict for each in rest.corners if each.adjustable]
    verdicts += [each.verdict for each in rest.sides if each.adjustable]
    if joint_verdict(verdicts) == "within":
        return Decision("sign_off", "all_within", (), corners, sides)
    undecided = _concerned(rest, "undecided")
    if len(assessment.rounds) < MAX_POOLED_ROUNDS:
        return Decision("settle_and_measure", "round_can_decide", undecided, corners, sides)
    return Decision("get_approval", "tape_cannot_decide", undecided, corners, sides)


def _beyond_adjustment(assessment: Assessment, plan: Plan | None) -> tuple[tuple[Corner, ...], tuple[Axle, ...]]:
    """What becomes `not_adjustable_here` now that no change is the best there is."""
    named = plan.not_adjustable_here if plan is not None else ()
    corners = tuple(
        each.corner
        for each in assessment.corners
        if each.adjustable and (each.verdict == "outside" or (each.verdict == "undecided" and each.corner in named))
    )
    return corners, tuple(e.axle for e in assessment.sides if e.adjustable and e.verdict == "outside")


def _without(assessment: Assessment, corners: tuple[Corner, ...], sides: tuple[Axle, ...]) -> Assessment:
    """The assessment with these set aside; a side goes with either of its corners."""
    return replace(
        assessment,
        corners=tuple(
            replace(each, adjustable=each.adjustable and each.corner not in corners) for each in assessment.corners
        ),
        sides=tuple(
            replace(
                each,
                adjustable=each.adjustable and each.axle not in sides and not set(CORNERS_OF[each.axle]) & set(corners),
            )
            for each in assessment.sides
        ),
    )


def _concerned(assessment: Assessment, verdict: Verdict) -> tuple[Corner, ...]:
    """Adjustable corners with this verdict, and both corners of adjustable sides with it, in order."""
    found = {each.corner for each in assessment.corners if each.adjustable and each.verdict == verdict}
    for side in assessment.sides:
        if side.adjustable and side.verdict == verdict:
            found |= set(CORNERS_OF[side.axle])
    return tuple(corner for corner in CORNERS if corner in found)


def _moved(plan: Plan) -> tuple[Corner, ...]:
    return tuple(corner for corner, change in zip(CORNERS, plan.changes, strict=True) if change)


def _corners_of(suspicions: Iterable[Suspicion]) -> tuple[Corner, ...]:
    named = {suspicion.corner for suspicion in suspicions}
    return tuple(corner for corner in CORNERS if corner in named)
