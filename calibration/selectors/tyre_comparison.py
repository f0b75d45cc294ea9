"""A vehicle's tyres compared with the reference tyre of the specification in force, at the heights last measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fleet.actor import Actor
from fleet.days import local_day
from fleet.fitments import tyre_findings
from fleet.models import Fitment, Specification, Vehicle
from fleet.selectors.vehicles import within_tenures
from fleet.tyres import TyreSize, parse_tyre_size

from ..metrology.corners import AXLES, CORNERS, Corner
from ..rules.tyre_comparison import FittedTyre, TyreComparison, compare
from .heights import MeasuredRound, measured_rounds
from .specifications import revision_in_force


@dataclass(frozen=True, slots=True)
class ComparedTyres:
    """What is known of a vehicle's tyres now. Without a fitment nothing is compared."""

    fitment: Fitment
    specification: Specification | None
    reference: TyreSize | None
    measured: MeasuredRound | None
    comparison: TyreComparison
    findings: tuple[Mapping[str, Any], ...]
    """Sizes that are not listed and tyres that bear too little."""


def compared_tyres(actor: Actor, vehicle: Vehicle) -> ComparedTyres | None:
    """The newest tyres that the actor may see, compared; None where none are on record."""
    fitment = within_tenures(Fitment.objects.filter(vehicle=vehicle), actor, vehicle, "recorded_at").first()
    if fitment is None:
        return None
    specification = revision_in_force(vehicle.vehicle_model_id, local_day(actor.now))
    content: Mapping[str, Any] = specification.content if specification else {}
    reference = parse_tyre_size(content["reference_tyre"]) if content.get("reference_tyre") else None
    measured = next(reversed(measured_rounds(actor, vehicle, most=1)), None)
    return ComparedTyres(
        fitment=fitment,
        specification=specification,
        reference=reference,
        measured=measured,
        comparison=compare(
            {corner: _fitted(fitment.tyres[corner]) for corner in CORNERS},
            reference=_reference(reference) if reference else None,
            axle_load_kg={axle: content.get(axle, {}).get("axle_load_kg") for axle in AXLES},
            heights_mm=_heights(measured),
        ),
        findings=tuple(tyre_findings(fitment.tyres, content)) if content else (),
    )


def _fitted(recorded: Mapping[str, Any]) -> FittedTyre:
    """Computed from the size again: what is stored with it is rounded."""
    size = parse_tyre_size(recorded["size"])
    return FittedTyre(size.overall_diameter_mm, size.rolling_circumference_mm, recorded["load_capacity_kg"])


def _reference(size: TyreSize) -> FittedTyre:
    return FittedTyre(size.overall_diameter_mm, size.rolling_circumference_mm, None)


def _heights(measured: MeasuredRound | None) -> dict[Corner, float] | None:
    if measured is None or set(measured.heights) != set(CORNERS):
        return None
    return {corner: each.height_mm for corner, each in measured.heights.items()}
