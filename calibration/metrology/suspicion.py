"""Corners that did not do what their response promises (section 5)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from .corners import Corner
from .response import JobPosterior

SuspicionKind = Literal["not_responding", "reversed", "weak", "mis_measured"]
FindingCode = Literal["corner_not_responding", "corner_reversed", "corner_weak"]


@dataclass(frozen=True, slots=True)
class Suspicion:
    """A corner whose move differs too much from the expected one; mm.

    `confirmed`: still so with at least two settled rounds pooled after the write. `kind` is the likeliest
    explanation; `finding` is the code to raise (stop) once confirmed, None for `mis_measured` and before.
    `ratio` is observed / expected move.
    """

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
    """Suspect corners of a job, in corner order. Events at a corner clear it; rulings are the caller's."""
    raise NotImplementedError
