"""What a stored result came from: the version of these calculations and their constants."""

from __future__ import annotations

from . import consequences, decision, height_check, leak, model_response, readings, response, suspicion, uncertainty

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
