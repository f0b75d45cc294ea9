"""Bodies that the documentation shows, too long to stand beside their views."""

from __future__ import annotations

from typing import Any, Final

SPECIFICATION: Final[dict[str, Any]] = {
    "effective_from": "2026-01-01",
    "source_kind": "manufacturer",
    "source": "Brae workshop manual, issue 4, p. 112",
    "measuring_condition": "empty, half tank",
    "wheelbase_mm": 2885,
    "track_front_mm": 1605,
    "track_rear_mm": 1613,
    "setpoint_min": 0,
    "setpoint_max": 255,
    "setpoint_kind": "absolute",
    "front": {
        "target_mm": 486,
        "tolerance_mm": 6,
        "setpoint_low": 40,
        "setpoint_high": 215,
        "response_mm_per_count": 0.9,
        "response_sd": 0.15,
        "axle_load_kg": 1450,
    },
    "rear": {
        "target_mm": 504,
        "tolerance_mm": 6,
        "setpoint_low": 40,
        "setpoint_high": 215,
        "response_mm_per_count": 1.05,
        "response_sd": 0.18,
        "axle_load_kg": 1650,
    },
    "side_difference_max_mm": 8,
    "step_max_counts": 20,
    "shift_review_counts": 40,
    "shift_limit_counts": 60,
    "settling_mm": 1.5,
    "leak_limit_mm_per_h": 1.0,
    "air_column_mm": 300,
    "check_interval_months": 6,
    "check_interval_km": 20000,
    "warp_max_mm": 6,
    "warp_change_max_mm": 20,
    "readiness_not_applicable": [],
    "reference_tyre": "255/60R18",
    "allowed_tyres": ["255/60R18", "275/65R18"],
    "headlamp_height_mm": 850,
    "headlamp_inclination_pct": -1.2,
    "cg_height_mm": 720,
}
TYRE: Final[dict[str, Any]] = {"size": "255/60R18", "load_index": 112, "speed_symbol": "V", "tread_mm": 6.5}
