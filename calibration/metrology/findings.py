"""Notes that an assessment adds to its verdict: codes and numbers, no texts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from .corners import CORNERS, Corner

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from .attitude import FloorEffect, WarpAssessment
    from .pooling import RoundMeasurement

FindingCode = Literal["pair_disagrees", "rounds_disagree", "large_warp", "floor_not_level", "not_adjustable_here"]


@dataclass(frozen=True, slots=True)
class Finding:
    """Something to say of the measurement. `values` are the numbers and words for its detail text, which the caller
    writes; a finding on a side names its axle there."""

    code: FindingCode
    severity: Literal["note", "review"]
    corner: Corner | None
    values: Mapping[str, float | str]


def disagreements(rounds: Sequence[RoundMeasurement]) -> tuple[Finding, ...]:
    """`pair_disagrees` for every corner and round whose readings spread too far, oldest round first."""
    return tuple(
        Finding(
            "pair_disagrees",
            "note",
            corner,
            {
                "round": measured.identity,
                "readings": found.readings,
                "range_mm": found.range_mm,
                "limit_mm": found.repeat_limit_mm,
                "estimator": found.estimator,
            },
        )
        for measured in rounds
        for corner, found in zip(CORNERS, measured.estimates(), strict=True)
        if found.disagrees
    )


def attitude_findings(warp: WarpAssessment, floor: FloorEffect | None) -> tuple[Finding, ...]:
    """`large_warp` and `floor_not_level`, where they apply."""
    found: list[Finding] = []
    if warp.large:
        values: dict[str, float | str] = {
            "warp_mm": warp.warp_mm,
            "expanded_uncertainty_mm": warp.expanded_uncertainty_mm,
            "limit_mm": warp.limit_mm,
        }
        if floor is not None:
            values["floor_warp_mm"] = floor.warp_mm
        found.append(Finding("large_warp", "note", None, values))
    if floor is not None and not floor.level:
        values = {
            "floor_warp_mm": floor.warp_mm,
            "limit_mm": floor.warp_limit_mm,
            "longitudinal_slope": floor.longitudinal_slope,
            "lateral_slope": floor.lateral_slope,
        }
        found.append(Finding("floor_not_level", "note", None, values))
    return tuple(found)
