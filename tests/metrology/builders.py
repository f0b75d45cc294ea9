"""Invented specifications and rounds for the tests of the calculations."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from calibration.metrology.pooling import RoundMeasurement
from calibration.metrology.readings import Repeatability
from calibration.metrology.specification import AxleSpecification, Specification
from calibration.metrology.uncertainty import Instrument

if TYPE_CHECKING:
    from collections.abc import Sequence

TAPE = Instrument("tape 1", resolution_mm=1.0, accuracy="II")
OTHER_TAPE = Instrument("tape 2", resolution_mm=1.0, accuracy="II")
FRONT = AxleSpecification(486.0, 6.0, 40, 215, 0.9, 0.15)
REAR = AxleSpecification(504.0, 6.0, 40, 215, 1.05, 0.18)
TARGETS_MM = (486.0, 486.0, 504.0, 504.0)
SPECIFICATION = Specification(FRONT, REAR, 2885, 1605, 1613, 0, 255, 8.0, 20, 40, 60, 1.5)
REAR_ONLY = replace(SPECIFICATION, controlled_corners=("RL", "RR"))
LINKED_REAR = replace(SPECIFICATION, linked_corners=(("RL", "RR"),))


def with_tolerance(tolerance_mm: float, **changes: Any) -> Specification:
    """The specification with another tolerance on both axles."""
    return replace(
        SPECIFICATION,
        front=replace(FRONT, tolerance_mm=tolerance_mm),
        rear=replace(REAR, tolerance_mm=tolerance_mm),
        **changes,
    )


def round_off_by(
    deviations_mm: Sequence[float], *, identity: str = "round 1", readings: int = 2, **changes: Any
) -> RoundMeasurement:
    """A round whose readings all agree, at these deviations from the specification's targets."""
    heights = [target + off for target, off in zip(TARGETS_MM, deviations_mm, strict=True)]
    measured = RoundMeasurement(
        readings_mm=tuple((height,) * readings for height in heights),
        repeatability=Repeatability(1.0, 12),
        instruments=(TAPE,),
        identity=identity,
    )
    return replace(measured, **changes)
