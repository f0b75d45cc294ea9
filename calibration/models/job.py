"""The job: one visit of one vehicle, from reception to its end."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models import Bay, RecordModel, Specification, Vehicle, VersionedModel

OPEN_STATES = ("open", "measuring", "adjusting", "paused")


class Job(VersionedModel):
    """One visit. Everything that happened in it is in record tables; this row carries its identity and state."""

    private_fields = ("version",)

    class State(models.TextChoices):
        OPEN = "open", _("open")
        MEASURING = "measuring", _("measuring")
        ADJUSTING = "adjusting", _("adjusting")
        PAUSED = "paused", _("paused")
        SIGNED_OFF = "signed_off", _("signed off")
        ENDED = "ended", _("ended")
        REVERTED = "reverted", _("reverted")

    class Reason(models.TextChoices):
        SENSOR_REPLACED = "sensor_replaced", _("height sensor replaced")
        CONTROL_UNIT_REPLACED = "control_unit_replaced", _("control unit replaced")
        SPRING_REPLACED = "spring_replaced", _("spring replaced")
        TYRE_CHANGE = "tyre_change", _("tyres of another size")
        COLLISION_REPAIR = "collision_repair", _("collision repair")
        COMPLAINT = "complaint", _("complaint")
        ROUTINE = "routine", _("routine check")
        REVERSION = "reversion", _("return to earlier set-points")

    number = models.PositiveIntegerField(_("number"), editable=False)
    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="jobs")
    specification = models.ForeignKey(
        Specification, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="jobs"
    )
    """The revision in force when the job opened; none where the model had none."""
    state = models.CharField(_("state"), max_length=10, choices=State, default=State.OPEN)
    reason = models.CharField(_("reason"), max_length=24, choices=Reason)
    to_job = models.ForeignKey(
        "self", null=True, on_delete=models.PROTECT, db_constraint=False, related_name="reverted_by"
    )
    odometer_km = models.DecimalField(_("odometer"), max_digits=9, decimal_places=1)
    bay = models.ForeignKey(Bay, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="jobs")
    pad_levels_mm = models.JSONField(null=True, editable=False)
    """Of the bay as surveyed when the job opened; a later survey says nothing about this one."""
    note = models.CharField(_("note"), max_length=2000, blank=True)
    opened_at = models.DateTimeField(editable=False)
    opened_by = models.UUIDField(editable=False)
    closed_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ("-opened_at", "-id")
        constraints = [
            models.UniqueConstraint(fields=["workshop", "number"], name="calibration_job_number"),
            models.UniqueConstraint(
                fields=["vehicle"],
                condition=Q(state__in=OPEN_STATES),
                name="calibration_job_one_open",
                violation_error_message=_("This vehicle has an open job. Finish or end that one first."),
            ),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True, state__in=OPEN_STATES)
                | Q(closed_at__isnull=False, state__in=["signed_off", "ended", "reverted"]),
                name="calibration_job_closed_with_time",
            ),
            models.CheckConstraint(condition=Q(odometer_km__gte=0), name="calibration_job_odometer"),
        ]
        indexes = [
            models.Index(fields=["workshop", "-opened_at", "-id"], name="calibration_job_order"),
            models.Index(fields=["vehicle", "-opened_at"], name="calibration_job_of_vehicle"),
        ]

    @property
    def is_open(self) -> bool:
        return self.state in OPEN_STATES


class JobRecordModel(RecordModel):
    """A fact within a job."""

    job = models.ForeignKey(Job, on_delete=models.PROTECT, db_constraint=False, related_name="+")

    class Meta:
        abstract = True
        ordering = ("recorded_at", "id")
        indexes = [models.Index(fields=["job", "recorded_at", "id"], name="%(app_label)s_%(class)s_of_job")]


class Readiness(JobRecordModel):
    """Outcomes of readiness checks; per item the last one counts."""

    checks = models.JSONField()


class Pause(JobRecordModel):
    reason = models.CharField(_("reason"), max_length=1000)


class Resumption(JobRecordModel):
    """The end of a pause: the set-points then stored, and whether anything was changed meanwhile."""

    reason = models.CharField(_("reason"), max_length=1000)
    setpoints = models.JSONField()
    nothing_changed = models.BooleanField()


class Reversion(JobRecordModel):
    """The decision to go back to the as-found set-points; the proposals on the way follow from it."""

    reason = models.CharField(_("reason"), max_length=1000)
    goal = models.JSONField()


class JobEnd(JobRecordModel):
    """The end of a job without sign-off."""

    reason = models.CharField(_("reason"), max_length=1000)
    setpoints = models.JSONField(null=True)


class SignOff(JobRecordModel):
    """The technician's signature that the work is complete, over the hash of what was shown."""

    content_sha256 = models.CharField(max_length=64)
    remark = models.CharField(_("remark"), max_length=1000, blank=True)


class Refiling(JobRecordModel):
    """The job belonged to another vehicle."""

    from_vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    to_vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    reason = models.CharField(_("reason"), max_length=1000)


class BaselineReset(RecordModel):
    """A manager's reasoned reset: shift limits count from the set-points stored after it."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="baseline_resets")
    corner = models.CharField(max_length=2)
    reason = models.CharField(_("reason"), max_length=1000)

    class Meta:
        ordering = ("recorded_at", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(corner__in=["FL", "FR", "RL", "RR"]), name="calibration_baselinereset_corner"
            ),
        ]
