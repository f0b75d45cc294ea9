"""What a stored result came from: the version of these calculations and their constants."""

from __future__ import annotations

from . import (
    consequences,
    decision,
    drift_alerts,
    drift_charts,
    drift_filter,
    drift_state,
    height_check,
    leak,
    model_response,
    rate_prior,
    readings,
    response,
    suspicion,
    uncertainty,
)

METROLOGY_VERSION = "1"
"""Raised whenever a change of this package could change a stored figure."""

PROVENANCE: dict[str, object] = {
    "metrology_version": METROLOGY_VERSION,
    "constants": {
        "prior_standard_deviation_mm": readings.PRIOR_STANDARD_DEVIATION_MM,
        "prior_degrees_of_freedom": readings.PRIOR_DEGREES_OF_FREEDOM,
        "slip_range_factor": readings.SLIP_RANGE_FACTOR,
        "median_factor": readings.MEDIAN_FACTOR,
        "coverage_probability": uncertainty.COVERAGE_PROBABILITY,
        "mark_half_width_mm": uncertainty.MARK_HALF_WIDTH_MM,
        "axle_correlation": response.AXLE_CORRELATION,
        "warp_loss_rms": response.WARP_LOSS_RMS,
        "move_nonlinearity_sd": response.MOVE_NONLINEARITY_SD,
        "specification_draws": model_response.SPECIFICATION_DRAWS,
        "specification_freedom": model_response.SPECIFICATION_FREEDOM,
        "suspect_factor": suspicion.SUSPECT_FACTOR,
        "max_writes": decision.MAX_WRITES,
        "max_pooled_rounds": decision.MAX_POOLED_ROUNDS,
        "inclination_step_pct": consequences.INCLINATION_STEP_PCT,
        "unknown_instrument_factor": height_check.UNKNOWN_INSTRUMENT_FACTOR,
        "temperature_standard_uncertainty_k": leak.TEMPERATURE_STANDARD_UNCERTAINTY_K,
    },
}

DRIFT_PROVENANCE: dict[str, object] = {
    "metrology_version": METROLOGY_VERSION,
    "constants": {
        "level_wander_variance": drift_state.LEVEL_WANDER_VARIANCE,
        "rate_wander_variance": drift_state.RATE_WANDER_VARIANCE,
        "default_rate_variance": drift_state.DEFAULT_RATE_VARIANCE,
        "innovation_limit": drift_state.INNOVATION_LIMIT,
        "step_variance_mm2": drift_filter.STEP_VARIANCE_MM2,
        "scatter_cap": drift_filter.SCATTER_CAP,
        "step_reference_value": drift_charts.STEP_REFERENCE_VALUE,
        "vehicle_years_per_false_step": drift_charts.VEHICLE_YEARS_PER_FALSE_STEP,
        "vehicle_years_per_false_scatter": drift_charts.VEHICLE_YEARS_PER_FALSE_SCATTER,
        "checks_per_year": drift_charts.CHECKS_PER_YEAR,
        "scatter_ratio": drift_charts.SCATTER_RATIO,
        "square_clip": drift_charts.SQUARE_CLIP,
        "trend_probability": drift_alerts.TREND_PROBABILITY,
        "trend_intervals": drift_alerts.TREND_INTERVALS,
        "trend_direction": drift_alerts.TREND_DIRECTION,
        "overdue_grace": drift_alerts.OVERDUE_GRACE,
        "rate_prior_default_weight": rate_prior.DEFAULT_WEIGHT,
        "rate_prior_teaching_share": rate_prior.TEACHING_SHARE,
    },
}
"""The same for what is stored of drift between services."""
