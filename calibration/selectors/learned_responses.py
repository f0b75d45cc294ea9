"""What the vehicles of a model have taught of its responses, for people: by axle, with each vehicle's own estimate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from scipy.special import ndtri

from fleet.models import Specification, Vehicle, VehicleModel

from ..metrology.corners import AXLES, CORNERS_OF, Axle
from ..metrology.model_response import AxleDraw, model_axle
from ..metrology.uncertainty import COVERAGE_PROBABILITY
from ..models import ResponsePosterior
from .responses import posteriors_of
from .specifications import pure_specification, revision_in_force

VEHICLES_SHOWN = 200
HALF_WIDTH = float(ndtri((1.0 + COVERAGE_PROBABILITY) / 2.0))
"""Of an interval, in standard uncertainties."""


@dataclass(frozen=True, slots=True)
class VehicleEstimate:
    """What one vehicle showed of an axle's response by itself, mm per count, with its interval of 95 %."""

    vehicle: Vehicle
    estimate: float
    low: float
    high: float
    jobs: int
    known_at: datetime


@dataclass(frozen=True, slots=True)
class LearnedAxle:
    """mm per count. `between_sd` is of the corners of different vehicles; `vehicles` those that taught the axle."""

    axle: Axle
    specified_mean: float
    specified_sd: float
    mean: float
    mean_uncertainty: float
    between_sd: float
    vehicles: int
    estimates: tuple[VehicleEstimate, ...]

    @property
    def left_out(self) -> int:
        """Vehicles whose estimates are not listed; they count all the same."""
        return self.vehicles - len(self.estimates)


@dataclass(frozen=True, slots=True)
class LearnedResponse:
    """`specification` is the revision in force, None where there is none; then nothing is learned."""

    specification: Specification | None
    axles: tuple[LearnedAxle, ...]


def learned_response(vehicle_model: VehicleModel, on: date) -> LearnedResponse:
    """Of a model as its next job would begin with; axles that the control unit does not control are left out."""
    specification = revision_in_force(vehicle_model.pk, on)
    if specification is None:
        return LearnedResponse(None, ())
    rows = list(posteriors_of(specification).select_related("vehicle").order_by("-known_at", "vehicle"))
    controlled = pure_specification(specification.content).controlled_corners
    axles = [axle for axle in AXLES if any(corner in controlled for corner in CORNERS_OF[axle])]
    return LearnedResponse(specification, tuple(_axle(specification, axle, rows) for axle in axles))


def _axle(specification: Specification, axle: Axle, rows: Sequence[ResponsePosterior]) -> LearnedAxle:
    taught = [(row, AxleDraw(*row.draws[axle])) for row in rows if axle in row.draws]
    pure = pure_specification(specification.content)
    found = model_axle(pure, axle, [draw for _row, draw in taught])
    known = pure.axle(CORNERS_OF[axle][0])
    return LearnedAxle(
        axle=axle,
        specified_mean=known.response_mm_per_count or 0.0,
        specified_sd=known.response_sd or 0.0,
        mean=found.mean,
        mean_uncertainty=found.mean_uncertainty,
        between_sd=found.sd,
        vehicles=found.draws,
        estimates=tuple(_estimate(row, draw) for row, draw in taught[:VEHICLES_SHOWN]),
    )


def _estimate(row: ResponsePosterior, draw: AxleDraw) -> VehicleEstimate:
    half = HALF_WIDTH * draw.variance**0.5
    return VehicleEstimate(
        vehicle=row.vehicle,
        estimate=draw.estimate,
        low=draw.estimate - half,
        high=draw.estimate + half,
        jobs=len(row.jobs),
        known_at=row.known_at,
    )
