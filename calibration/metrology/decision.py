"""What is to be done next, from the pooled verdict, the plan and the suspicions (sections 3 and 6)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .corners import Axle, Corner
from .planner import Plan
from .specification import Specification
from .suspicion import Suspicion

Verdict = Literal["within", "outside", "undecided"]
Step = Literal["read_again", "settle_and_measure", "propose", "get_approval", "inspect", "sign_off"]
DecisionReason = Literal[
    "all_within",                 # sign_off
    "readings_can_decide",        # read_again: corners
    "round_can_decide",           # settle_and_measure: undecided, fewer than 3 rounds pooled
    "confirm_suspicion",          # settle_and_measure: corners
    "suspicion_confirmed",        # inspect: corners
    "outside",                    # propose: corners that move
    "undecided_but_improvable",   # propose: corners that move
    "tape_cannot_decide",         # get_approval (sign-off with undecided corners): corners
    "limits_exhausted",           # inspect: corners
    "too_many_writes",            # inspect
    "pair_disagrees",             # read_again: corners
]

MAX_WRITES = 6
MAX_POOLED_ROUNDS = 3
MAX_READINGS_A_CORNER = 6


@dataclass(frozen=True, slots=True)
class CornerStanding:
    """The pooled verdict on one corner, as far as the next step depends on it.

    `adjustable`: False where `not_adjustable_here` holds; `readings_wanted`: further readings that the repeat rule
    wants or that could decide (0: none, or more than 6 in all would be needed); `pair_disagrees`: the repeat rule wants them.
    """

    corner: Corner
    verdict: Verdict
    adjustable: bool
    significant: bool
    readings_wanted: int = 0
    pair_disagrees: bool = False


@dataclass(frozen=True, slots=True)
class SideStanding:
    """The pooled verdict on one side difference."""

    axle: Axle
    verdict: Verdict
    adjustable: bool
    significant: bool


@dataclass(frozen=True, slots=True)
class JobStanding:
    """Everything the next step depends on once a settled round has been judged.

    `plan` is computed when something adjustable is significant, else None. `suspicions` without those a manager's
    ruling or an event has cleared. `writes` counts the job's writes.
    """

    specification: Specification
    corners: tuple[CornerStanding, CornerStanding, CornerStanding, CornerStanding]
    sides: tuple[SideStanding, SideStanding]
    rounds_pooled: int
    writes: int
    plan: Plan | None
    suspicions: tuple[Suspicion, ...] = ()


@dataclass(frozen=True, slots=True)
class Decision:
    """The next step, why, and at which corners."""

    step: Step
    reason: DecisionReason
    corners: tuple[Corner, ...]


def decide(standing: JobStanding) -> Decision:
    """The next step of a job whose newest settled round is judged."""
    raise NotImplementedError
