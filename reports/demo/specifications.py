"""What the demo's vehicle models allow. Makers, models and figures are invented."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from fleet.api import examples

COMMON: Final[Mapping[str, Any]] = {
    "effective_from": date(2022, 1, 1),
    "source_kind": "manufacturer",
    "settling_mm": 1.5,
    "setpoint_kind": "absolute",
    "leak_limit_mm_per_h": 1.0,
    "air_column_mm": 300,
    "check_interval_months": 6,
    "check_interval_km": 20000,
    "readiness_not_applicable": [],
}

AMBULANCE: Final[Mapping[str, Any]] = {
    **COMMON,
    "source": "Orrin body builder's guide, issue 7, sheet 31",
    "measuring_condition": "equipped, no crew, full tank",
    "wheelbase_mm": 3660,
    "track_front_mm": 1740,
    "track_rear_mm": 1720,
    "setpoint_min": -128,
    "setpoint_max": 127,
    "setpoint_kind": "offset",
    "front": {
        "target_mm": 512,
        "tolerance_mm": 8,
        "setpoint_low": -100,
        "setpoint_high": 100,
        "response_mm_per_count": -0.75,
        "response_sd": 0.12,
        "axle_load_kg": 1900,
    },
    "rear": {
        "target_mm": 530,
        "tolerance_mm": 8,
        "setpoint_low": -100,
        "setpoint_high": 100,
        "response_mm_per_count": -0.85,
        "response_sd": 0.14,
        "axle_load_kg": 2250,
    },
    "side_difference_max_mm": 10,
    "step_max_counts": 30,
    "shift_review_counts": 55,
    "shift_limit_counts": 80,
    "warp_max_mm": 8,
    "warp_change_max_mm": 25,
    "reference_tyre": "235/65R16C",
    "allowed_tyres": ["235/65R16C"],
}
"""More counts mean less height."""

REAR_AIR_VAN: Final[Mapping[str, Any]] = {
    **COMMON,
    "source": "Orrin workshop manual, issue 2, p. 208",
    "measuring_condition": "equipped, no crew, half tank",
    "wheelbase_mm": 3275,
    "track_front_mm": 1630,
    "track_rear_mm": 1620,
    "setpoint_min": 0,
    "setpoint_max": 255,
    "controlled_corners": ["RL", "RR"],
    "front": {"target_mm": 470, "tolerance_mm": 9},
    "rear": {
        "target_mm": 498,
        "tolerance_mm": 8,
        "setpoint_low": 40,
        "setpoint_high": 215,
        "response_mm_per_count": 1.05,
        "response_sd": 0.16,
        "axle_load_kg": 1750,
    },
    "side_difference_max_mm": 10,
    "step_max_counts": 20,
    "shift_review_counts": 40,
    "shift_limit_counts": 60,
    "warp_max_mm": 8,
    "reference_tyre": "215/65R16C",
    "allowed_tyres": ["215/65R16C"],
}
"""Steel springs at the front, air at the rear."""

ESTATE: Final[Mapping[str, Any]] = {**examples.SPECIFICATION, **COMMON}
"""The example of the interface's description."""

SHUTTLE: Final[Mapping[str, Any]] = {
    **ESTATE,
    "source": "Skelbrook service sheets, edition 3, sheet 18",
    "measuring_condition": "empty, half tank, kneeling switched off",
    "wheelbase_mm": 3950,
    "track_front_mm": 1780,
    "track_rear_mm": 1760,
    "linked_corners": [["RL", "RR"]],
    "front": {**ESTATE["front"], "target_mm": 455, "tolerance_mm": 8, "axle_load_kg": 1950},
    "rear": {**ESTATE["rear"], "target_mm": 478, "tolerance_mm": 8, "axle_load_kg": 2100},
    "side_difference_max_mm": 10,
    "reference_tyre": "225/75R16C",
    "allowed_tyres": ["225/75R16C"],
    "headlamp_height_mm": None,
    "headlamp_inclination_pct": None,
    "cg_height_mm": None,
}
"""One sensor for the rear axle."""

SAFARI: Final[Mapping[str, Any]] = {
    **COMMON,
    "source": "Dunlath field service handbook, issue 5, table 9",
    "measuring_condition": "empty, both tanks half full, roof rack fitted",
    "wheelbase_mm": 3150,
    "track_front_mm": 1650,
    "track_rear_mm": 1650,
    "setpoint_min": 0,
    "setpoint_max": 1023,
    "front": {
        "target_mm": 548,
        "tolerance_mm": 10,
        "setpoint_low": 300,
        "setpoint_high": 700,
        "response_mm_per_count": 1.8,
        "response_sd": 0.3,
        "axle_load_kg": 1500,
    },
    "rear": {
        "target_mm": 566,
        "tolerance_mm": 10,
        "setpoint_low": 300,
        "setpoint_high": 700,
        "response_mm_per_count": 2.1,
        "response_sd": 0.35,
        "axle_load_kg": 1900,
    },
    "side_difference_max_mm": 12,
    "step_max_counts": 12,
    "shift_review_counts": 10,
    "shift_limit_counts": 30,
    "warp_max_mm": 8,
    "warp_change_max_mm": 25,
    "reference_tyre": "265/70R17",
    "allowed_tyres": ["265/70R17"],
    "cg_height_mm": 790,
    "ground_clearance_mm": 232,
    "front_overhang_mm": 815,
    "rear_overhang_mm": 940,
}
"""Steep responses; what moves a corner by more than ten counts is looked at by a second person."""
