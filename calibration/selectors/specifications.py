"""From a stored specification revision to the one that the calculations take."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from fleet.models import Specification

from ..metrology import specification as pure
from ..metrology.corners import CORNERS


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
