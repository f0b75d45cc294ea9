"""From a stored specification revision to the one that the calculations take."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from fleet.models import Fitment, Specification
from fleet.tyres import parse_tyre_size

from ..metrology import specification as pure
from ..metrology.consequences import LEVEL, BodyGeometry, Four
from ..metrology.corners import AXLE_OF, CORNERS
from ..metrology.tyre import hub_rise_mm
from ..rules.consequences import Body


def pure_specification(content: Mapping[str, Any]) -> pure.Specification:
    """The calculations' specification from the interface's JSON, which is complete."""
    return pure.Specification(
        front=_axle(content["front"]),
        rear=_axle(content["rear"]),
        wheelbase_mm=float(content["wheelbase_mm"]),
        track_front_mm=float(content["track_front_mm"]),
        track_rear_mm=float(content["track_rear_mm"]),
        setpoint_min=int(content["setpoint_min"]),
        setpoint_max=int(content["setpoint_max"]),
        side_difference_max_mm=float(content["side_difference_max_mm"]),
        step_max_counts=int(content["step_max_counts"]),
        shift_review_counts=int(content["shift_review_counts"]),
        shift_limit_counts=int(content["shift_limit_counts"]),
        settling_mm=float(content["settling_mm"]),
        controlled_corners=tuple(c for c in CORNERS if c in content.get("controlled_corners", CORNERS)),
        linked_corners=tuple((first, second) for first, second in content.get("linked_corners", ())),
        warp_max_mm=float(content.get("warp_max_mm", 6.0)),
        warp_change_max_mm=float(content.get("warp_change_max_mm", 20.0)),
        leak_limit_mm_per_h=_number(content, "leak_limit_mm_per_h"),
        air_column_mm=_number(content, "air_column_mm"),
    )


def body_of(content: Mapping[str, Any], fitment: Fitment | None) -> Body:
    """The body that a specification describes, on the tyres now fitted; on its reference tyres where none are known."""
    return Body(
        body_geometry(content),
        targets_mm=_by_corner(content, "target_mm"),
        tolerances_mm=_by_corner(content, "tolerance_mm"),
        hub_rise_mm=_hub_rise(content, fitment),
    )


def body_geometry(content: Mapping[str, Any]) -> BodyGeometry:
    """The lengths that a specification gives; the reference tyre's free radius stands for its loaded one."""
    reference = content.get("reference_tyre")
    return BodyGeometry(
        wheelbase_mm=float(content["wheelbase_mm"]),
        track_front_mm=float(content["track_front_mm"]),
        track_rear_mm=float(content["track_rear_mm"]),
        tyre_radius_mm=parse_tyre_size(reference).free_radius_mm if reference else None,
        cg_height_mm=_number(content, "cg_height_mm"),
        ground_clearance_mm=_number(content, "ground_clearance_mm"),
        front_overhang_mm=_number(content, "front_overhang_mm"),
        rear_overhang_mm=_number(content, "rear_overhang_mm"),
        headlamp_height_mm=_number(content, "headlamp_height_mm"),
        headlamp_inclination_pct=_number(content, "headlamp_inclination_pct"),
    )


def _by_corner(content: Mapping[str, Any], name: str) -> Four:
    a, b, c, d = (float(content[AXLE_OF[corner]][name]) for corner in CORNERS)
    return a, b, c, d


def _hub_rise(content: Mapping[str, Any], fitment: Fitment | None) -> Four:
    """Nothing is known of it without a reference tyre or without tyres on record."""
    reference = content.get("reference_tyre")
    if fitment is None or not reference:
        return LEVEL
    diameters = [float(fitment.tyres[corner]["overall_diameter_mm"]) for corner in CORNERS]
    return hub_rise_mm(diameters, parse_tyre_size(reference).overall_diameter_mm)


def count_base(content: Mapping[str, Any]) -> dict[str, Any]:
    """What a set-point means: where this differs, counts of one revision say nothing of another's."""
    return {
        "range": [content["setpoint_min"], content["setpoint_max"]],
        "kind": content["setpoint_kind"],
        "controlled_corners": sorted(content.get("controlled_corners", CORNERS)),
        "linked_corners": sorted(sorted(pair) for pair in content.get("linked_corners", ())),
    }


def _number(content: Mapping[str, Any], name: str) -> float | None:
    value = content.get(name)
    return None if value is None else float(value)


def _axle(content: Mapping[str, Any]) -> pure.AxleSpecification:
    def count(name: str) -> int | None:
        value = content.get(name)
        return None if value is None else int(value)

    return pure.AxleSpecification(
        target_mm=float(content["target_mm"]),
        tolerance_mm=float(content["tolerance_mm"]),
        setpoint_low=count("setpoint_low"),
        setpoint_high=count("setpoint_high"),
        response_mm_per_count=_number(content, "response_mm_per_count"),
        response_sd=_number(content, "response_sd"),
        axle_load_kg=_number(content, "axle_load_kg"),
    )


def revision_in_force(vehicle_model_id: uuid.UUID, on: date) -> Specification | None:
    """The revision in force on a day: of those effective by then, the one that took effect last."""
    return (
        Specification.objects.filter(vehicle_model_id=vehicle_model_id, effective_from__lte=on)
        .order_by("-effective_from", "-revision")
        .first()
    )


def first_revision_between(
    vehicle_model_id: uuid.UUID, opened_at: datetime, closed_at: datetime | None
) -> Specification | None:
    """What a job that opened without a revision takes: the first that was recorded while it was open."""
    revisions = Specification.objects.filter(vehicle_model_id=vehicle_model_id, recorded_at__gt=opened_at)
    if closed_at is not None:
        revisions = revisions.filter(recorded_at__lte=closed_at)
    return revisions.order_by("revision").first()
