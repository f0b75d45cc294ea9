"""Corners that did not do what their response promises (section 5)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from .corners import CORNERS, Corner
from .response import JobPosterior, Move, move_variance

SuspicionKind = Literal["not_responding", "reversed", "weak", "mis_measured"]
FindingCode = Literal["corner_not_responding", "corner_reversed", "corner_weak"]

SUSPECT_FACTOR = 3.0
"""Predictive standard deviations of the residual, and standard uncertainties of the difference (section 5)."""
ROUNDS_TO_CONFIRM = 2
REVERSED_BELOW = -0.5
"""Observed / expected move: halfway between none and the expected one the other way."""
WEAK_ABOVE = 0.15
"""Halfway between none and 0.3 of the expected move; more where that cannot be told from none."""
WEAK_BELOW = 0.65
"""Halfway between 0.3 of the expected move and all of it: above it a response is unusual, but no fault."""
FINDINGS: dict[SuspicionKind, FindingCode | None] = {
    "not_responding": "corner_not_responding",
    "reversed": "corner_reversed",
    "weak": "corner_weak",
    "mis_measured": None,
}


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A corner whose move differs too much from the expected one; mm.

    `confirmed`: still so with at least two settled rounds pooled after the write. `kind` is the likeliest
    explanation; `finding` the code to raise (stop), None before it is confirmed. `ratio` is observed /
    expected move. `move` counts the job's changes of set-points from 1.
    """

    move: int
    corner: Corner
    kind: SuspicionKind
    confirmed: bool
    finding: FindingCode | None
    expected_move_mm: float
    observed_move_mm: float
    residual_mm: float
    predictive_sd_mm: float
    ratio: float


def find_suspicions(posterior: JobPosterior) -> tuple[Suspicion, ...]:
    """Suspect corners of a job, by move and in corner order within a move.

    Suspect: |observed - expected| > 3 predictive standard deviations (response uncertainty included) and |expected| > 3
    standard uncertainties of the difference, marks and instrument left out of both because they cancel. A
    suspicion that one more settled round does not confirm is gone, as is one that a later write overtook
    unconfirmed, and one that is likeliest `mis_measured` once the further round is there: the pooled rounds
    have put it right. An event at a corner clears what was before it; a ruling is the caller's to apply.

    Source: design, section 5 (own rule); predictive variance of a linear model.

    >>> from .response import ResponsePrior, SettledRound, follow_job
    >>> prior = ResponsePrior(np.full(4, 0.9), np.eye(4) * 0.15**2, "specification")
    >>> noise = (1.0, 1.0, 1.0, 1.0)
    >>> before = SettledRound((468, 486, 504, 504), noise, (100, 100, 100, 100))
    >>> after = SettledRound((468, 486, 504, 504), noise, (118, 100, 100, 100))
    >>> [(s.corner, s.kind, s.confirmed) for s in find_suspicions(follow_job(prior, [before, after]))]
    [('FL', 'not_responding', False)]
    >>> [s.finding for s in find_suspicions(follow_job(prior, [before, after, after]))]
    ['corner_not_responding']
    """
    found: list[Suspicion] = []
    for number, move in enumerate(posterior.moves, start=1):
        settled = move.rounds_after >= ROUNDS_TO_CONFIRM
        if move.rounds_after and (settled or number == len(posterior.moves)):
            found += [s for corner in CORNERS if (s := _judge(number, move, corner, confirmed=settled)) is not None]
    return tuple(found)


def _judge(number: int, move: Move, corner: Corner, *, confirmed: bool) -> Suspicion | None:
    i = CORNERS.index(corner)
    if not move.changes[i] or corner in move.voided:
        return None
    expected = float(move.before.responses[i] * move.changes[i])
    observed = float(move.measured_mm[i] - move.before.heights_mm[i])
    difference = math.sqrt(move.before.height_covariance[i, i] + move.measured_variance_mm2[i])
    predictive = math.sqrt(_predictive_variance(move, i))
    if abs(expected) <= SUSPECT_FACTOR * difference:
        return None
    if abs(observed - expected) <= SUSPECT_FACTOR * predictive:
        return None
    kind = _likeliest(observed / expected, difference / abs(expected))
    if confirmed and FINDINGS[kind] is None:
        return None
    return Suspicion(
        move=number,
        corner=corner,
        kind=kind,
        confirmed=confirmed,
        finding=FINDINGS[kind] if confirmed else None,
        expected_move_mm=expected,
        observed_move_mm=observed,
        residual_mm=observed - expected,
        predictive_sd_mm=predictive,
        ratio=observed / expected,
    )


def _predictive_variance(move: Move, i: int) -> float:
    """Variance of observed minus expected move at a corner before the rounds after it were seen, mm²."""
    change, before = move.changes[i], move.before
    prior = before.height_covariance[i, i] + change**2 * before.response_covariance[i, i]
    cross = 2.0 * change * before.height_response_covariance[i, i]
    added = move_variance(before.responses * np.array(move.changes))[i, i]
    return float(prior + cross + added + move.measured_variance_mm2[i])


def _likeliest(ratio: float, ratio_uncertainty: float) -> SuspicionKind:
    """Name for a share of the expected move; `ratio_uncertainty` widens what counts as none at all."""
    if ratio <= REVERSED_BELOW:
        return "reversed"
    if ratio <= max(WEAK_ABOVE, min(2.0 * ratio_uncertainty, 0.25)):
        return "not_responding"
    return "weak" if ratio <= WEAK_BELOW else "mis_measured"
