"""What a vehicle model allows, as the calculations see it."""

from __future__ import annotations

from dataclasses import dataclass

from .corners import AXLE_OF, CORNERS, Corner
from .errors import MetrologyError


@dataclass(frozen=True, slots=True)
class AxleSpecification:
    """One axle. The set-point fields are None on an axle that the control unit does not control."""

    target_mm: float
    tolerance_mm: float
    setpoint_low: int | None = None
    setpoint_high: int | None = None
    response_mm_per_count: float | None = None
    response_sd: float | None = None
    axle_load_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Specification:
    """Targets, tolerances and limits of one specification revision; mm, counts, mm per count."""

    front: AxleSpecification
    rear: AxleSpecification
    wheelbase_mm: float
    track_front_mm: float
    track_rear_mm: float
    setpoint_min: int
    setpoint_max: int
    side_difference_max_mm: float
    step_max_counts: int
    shift_review_counts: int
    shift_limit_counts: int
    settling_mm: float
    controlled_corners: tuple[Corner, ...] = CORNERS
    linked_corners: tuple[tuple[Corner, Corner], ...] = ()
    warp_max_mm: float = 6.0
    warp_change_max_mm: float = 20.0
    leak_limit_mm_per_h: float | None = None
    air_column_mm: float | None = None

    def __post_init__(self) -> None:
        for corner in self.controlled_corners:
            axle = self.axle(corner)
            values = (axle.setpoint_low, axle.setpoint_high, axle.response_mm_per_count, axle.response_sd)
            if None in values:
                raise MetrologyError(
                    f"{AXLE_OF[corner]} axle", values, "set-point band and response for a controlled corner"
                )

    def axle(self, corner: Corner) -> AxleSpecification:
        """The axle that a corner belongs to."""
        return self.front if AXLE_OF[corner] == "front" else self.rear

    def target_mm(self, corner: Corner) -> float:
        return self.axle(corner).target_mm

    def tolerance_mm(self, corner: Corner) -> float:
        return self.axle(corner).tolerance_mm

    def linked_with(self, corner: Corner) -> Corner | None:
        """The corner that shares this corner's set-point, if one does."""
        for first, second in self.linked_corners:
            if corner == first:
                return second
            if corner == second:
                return first
        return None
