"""How heights drift between services: derived from what was measured, and made anew from it at any time."""

from __future__ import annotations

from django.db import models
from django.utils.translation import gettext_lazy as _

from fleet.models import RecordModel, TenantModel, Vehicle, VehicleModel

from .measurement import CORNER_CONDITION


class DriftSeries(TenantModel):
    """What is kept of a vehicle's series beside the states of its corners.

    `marks` are hashes of the observations that the states have taken in, in their order; of these alerts were judged by
    the first `evaluated`. `is_revised` where some of those have changed since. The rest is what a sweep judges by: the
    largest side difference in mm; in days the check interval and when the next check is due; in km the interval and
    the odometer at which it is due, with the day on which it is estimated to stand there and in how many days the
    vehicle is estimated to go so far. inf where there is none.
    """

    kept_by_ledger = False

    vehicle = models.OneToOneField(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="drift_series")
    marks = models.JSONField(default=list)
    evaluated = models.PositiveIntegerField(default=0)
    is_revised = models.BooleanField(default=False)
    side_limit_mm = models.FloatField()
    interval_days = models.FloatField()
    due_day = models.FloatField()
    interval_km = models.FloatField()
    due_at_km = models.FloatField()
    distance_due_day = models.FloatField()
    distance_interval_days = models.FloatField()
    due_changed_at = models.DateTimeField()
    """When the next check was last found to be due on another day than before."""
    computed_with = models.JSONField()

    class Meta:
        verbose_name_plural = "drift series"


class DriftState(TenantModel):
    """The drift filter of one corner; columns as in `metrology.drift_state.DriftStates`, with target and tolerance."""

    kept_by_ledger = False

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="drift_states")
    corner = models.CharField(max_length=2)
    target_mm = models.FloatField()
    tolerance_mm = models.FloatField()
    level = models.FloatField()
    rate = models.FloatField()
    level_variance = models.FloatField()
    covariance = models.FloatField()
    rate_variance = models.FloatField()
    day = models.FloatField()
    visits = models.FloatField()
    cusum_high = models.FloatField()
    cusum_low = models.FloatField()
    scatter = models.FloatField()
    step_mm = models.FloatField()
    step_day = models.FloatField()
    last_mm = models.FloatField()
    last_expanded = models.FloatField()
    last_variance = models.FloatField()
    last_instrument_variance = models.FloatField()
    prior_rate = models.FloatField()
    prior_rate_variance = models.FloatField()

    class Meta:
        ordering = ("vehicle", "corner")
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "corner"],
                name="calibration_driftstate_one",
                violation_error_message=_("This corner has its drift state."),
            ),
            models.CheckConstraint(
                condition=CORNER_CONDITION,
                name="calibration_driftstate_corner",
                violation_error_message=_("A corner is FL, FR, RL or RR."),
            ),
        ]


class DriftRatePrior(RecordModel):
    """What a model's fleet taught by then about how fast its corners drift: mm a year, its square, and from how many.

    A series takes the one that was known when it began. None is ever changed, so that it can be followed anew.
    """

    kept_by_ledger = False

    vehicle_model = models.ForeignKey(VehicleModel, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    mean = models.FloatField()
    variance = models.FloatField()
    corners = models.PositiveIntegerField()
    computed_with = models.JSONField()

    class Meta:
        ordering = ("recorded_at", "id")
        indexes = [models.Index(fields=["vehicle_model", "recorded_at"], name="calibration_rateprior_of_model")]
