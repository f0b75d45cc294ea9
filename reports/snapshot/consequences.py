"""What the change of heights did to the vehicle, from as found to as left, and the work that follows from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from calibration.metrology import consequences as calculated
from calibration.metrology.corners import CORNERS, Corner
from calibration.metrology.uncertainty import Budget, Component, change_budget
from calibration.rules.consequences import OPTIONAL_FIGURES, consequences_document

from ..certificate import document as doc
from .heights import not_adjustable_here
from .source import Source
from .work import setpoints

COMMON_TO_ROUNDS = ("mark_placement", "instrument")
"""Components of a height's uncertainty that are one error in all rounds of a job."""


def consequences(
    source: Source, found: doc.HeightState | None, left: doc.HeightState | None
) -> doc.Consequences | None:
    """None where a height is missing, or as found and as left are one measurement."""
    moved = _moved(source, found, left)
    if moved is None or found is None or left is None or found.rounds == left.rounds:
        return None
    figures = consequences_document(moved)
    known = {name: doc.BeforeAfter(**figures[name]) for name in OPTIONAL_FIGURES if figures[name]}
    return doc.Consequences(**{**figures, **known})


def follow_ups(
    source: Source, found: doc.HeightState | None, left: doc.HeightState | None, rounds: tuple[doc.RoundEntry, ...]
) -> tuple[doc.FollowUp, ...]:
    """What follows from what changed between as found and as left, and the corners that need other work.

    What was not measured again after a write or after work on the vehicle is taken as changed.
    """
    moved = _moved(source, found, left)
    named = calculated.follow_ups(
        moved,
        source.case.body.tolerances_mm if source.case.body else (),
        setpoints_changed=_setpoints_changed(source) or (found is not None and left is None),
        expanded_uncertainty_mm=_uncertainty_of_change(found, left, rounds) if moved and found and left else None,
    )
    corners = [doc.FollowUp("not_adjustable_here", corner=corner) for corner in not_adjustable_here(source)]
    return (*corners, *(doc.FollowUp(each.code) for each in named))


def _moved(
    source: Source, found: doc.HeightState | None, left: doc.HeightState | None
) -> calculated.Consequences | None:
    body = source.case.body
    if body is None or found is None or left is None:
        return None
    before, after = ([state.corners[corner].mean_mm for corner in CORNERS] for state in (found, left))
    return body.moved(before, after)


def _setpoints_changed(source: Source) -> bool:
    """What was stored last differs from what was found; where that was never read, any write changed it."""
    counts = setpoints(source).values()
    if any(each.as_found is None for each in counts):
        return any(each.repeats_id is None for each in source.case.writes)
    return any(each.as_found != each.as_left for each in counts)


def _uncertainty_of_change(
    found: doc.HeightState, left: doc.HeightState, rounds: tuple[doc.RoundEntry, ...]
) -> list[float]:
    """By corner; the marks, and the instrument where it is the same, drop out of a difference."""
    used = [_instruments(state, rounds) for state in (found, left)]
    same = used[0] == used[1] and len(used[0]) == 1
    budgets = ([_budget(state.corners, corner) for corner in CORNERS] for state in (found, left))
    return [
        change_budget(before, after, same_instrument=same).expanded_uncertainty_mm
        for before, after in zip(*budgets, strict=True)
    ]


def _instruments(state: doc.HeightState, rounds: tuple[doc.RoundEntry, ...]) -> set[str]:
    return {
        reading.instrument or each.instrument
        for each in rounds
        if each.number in state.rounds
        for reading in each.readings
    }


def _budget(corners: Mapping[Corner, Any], corner: Corner) -> Budget:
    return Budget(
        tuple(
            Component(
                line.component,
                line.standard_uncertainty_mm,
                math.inf if line.degrees_of_freedom is None else line.degrees_of_freedom,
                common_to_rounds=line.component in COMMON_TO_ROUNDS,
            )
            for line in corners[corner].budget
        )
    )
