"""What a change of heights does to a vehicle and what follows from it, under the interface's names.

The one place where the calculated consequences are rounded, for a proposal as for a whole job.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from ..metrology import consequences as calculated
from ..metrology.assessment_document import rounded
from ..metrology.consequences import BeforeAfter, BodyGeometry, BodyPosition, Consequences, FollowUp, Four
from . import texts

LENGTH_DIGITS, PERCENT_DIGITS, FACTOR_DIGITS, ANGLE_DIGITS = 2, 3, 4, 2
OPTIONAL_FIGURES = {
    "ground_clearance_mm": LENGTH_DIGITS,
    "headlamp_height_mm": LENGTH_DIGITS,
    "headlamp_inclination_pct": PERCENT_DIGITS,
    "static_stability_factor": FACTOR_DIGITS,
    "approach_deg": ANGLE_DIGITS,
    "departure_deg": ANGLE_DIGITS,
    "breakover_deg": ANGLE_DIGITS,
}
"""Figures before and after, null where the specification does not give the lengths, with their digits."""


@dataclass(frozen=True, slots=True)
class Body:
    """A vehicle's body: lengths, targets and tolerances of its specification, and how much its tyres lift the hubs, mm.

    The lengths hold at the specification's own targets, also where a concession asks for others. The tyres are those
    now fitted, before and after: heights from hub to arch do not tell of a change of tyres.
    """

    geometry: BodyGeometry
    targets_mm: Four
    tolerances_mm: Four
    hub_rise_mm: Four = calculated.LEVEL

    def at(self, heights_mm: Sequence[float]) -> BodyPosition:
        """Where the body is at four heights, in the order of the corners."""
        a, b, c, d = (float(height) - target for height, target in zip(heights_mm, self.targets_mm, strict=True))
        return BodyPosition((a, b, c, d), self.hub_rise_mm)

    def moved(self, before_mm: Sequence[float], after_mm: Sequence[float]) -> Consequences:
        """What going from four heights to four others does."""
        return calculated.consequences(self.geometry, self.at(before_mm), self.at(after_mm))


def consequences_document(found: Consequences | None) -> dict[str, Any]:
    """The interface's JSON; empty where nothing is known of the heights."""
    if found is None:
        return {}
    modes = found.attitude_change
    return {
        "heave_change_mm": rounded(modes.heave_mm, LENGTH_DIGITS),
        "pitch_change_mm": rounded(modes.pitch_mm, LENGTH_DIGITS),
        "roll_change_mm": rounded(modes.roll_mm, LENGTH_DIGITS),
        "warp_change_mm": rounded(modes.warp_mm, LENGTH_DIGITS),
        "ground_clearance_change_mm": rounded(found.ground_clearance_change_mm, LENGTH_DIGITS),
        "headlamp_inclination_change_pct": rounded(found.inclination_change_pct, PERCENT_DIGITS),
        **{name: _before_after(getattr(found, name), digits) for name, digits in OPTIONAL_FIGURES.items()},
    }


def _before_after(figure: BeforeAfter | None, digits: int) -> dict[str, float] | None:
    if figure is None:
        return None
    return {"before": rounded(figure.before, digits), "after": rounded(figure.after, digits)}


def follow_up_documents(named: Sequence[FollowUp]) -> list[dict[str, str]]:
    return [{"code": each.code, "detail": str(texts.FOLLOW_UPS[each.code])} for each in named]
