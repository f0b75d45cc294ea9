"""The seeded errors, all of them."""

from __future__ import annotations

from tests.campaigns.seeded.drift_errors import DRIFT_ERRORS
from tests.campaigns.seeded.measurement_errors import MEASUREMENT_ERRORS
from tests.campaigns.seeded.reason_errors import REASON_ERRORS
from tests.campaigns.seeded.vehicle_errors import VEHICLE_ERRORS
from tests.campaigns.seeded.verdict_errors import VERDICT_ERRORS

ERRORS = (*MEASUREMENT_ERRORS, *VERDICT_ERRORS, *VEHICLE_ERRORS, *DRIFT_ERRORS, *REASON_ERRORS)
