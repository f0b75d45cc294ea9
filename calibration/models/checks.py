"""Height checks: measurements outside a job, by whoever drives or keeps the vehicle."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models import Instrument, Membership, RecordModel, Specification, Vehicle

from .adjustment import Concession
from .measurement import CORNER_CONDITION


class HeightCheck(RecordModel):
    """One measurement of all four corners outside a job; nothing was read of the control unit.

    `taken_at` is the device's time, `happened_at` the time that counts. `received_at` is when the check counts as
    received: its arrival, or for one that was kept elsewhere before when it arrived there. Frozen into it are, as in a
    round, `repeatability` and `instruments`, and with `specification` and `concession` what it is judged by. `result`
    is the interface's JSON as it was first judged; `computed_with` as in an assessment. `repeats` is the earlier check
    that this one is, sent once more under another id; it counts nothing.
    """

    class Loading(models.TextChoices):
        AS_SPECIFIED = "as_specified", _("loaded as specified")
        OTHER = "other", _("loaded otherwise")

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="height_checks")
    taken_at = models.DateTimeField(_("taken at"))
    happened_at = models.DateTimeField()
    received_at = models.DateTimeField()
    odometer_km = models.DecimalField(max_digits=9, decimal_places=1, null=True)
    instrument = models.ForeignKey(
        Instrument, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="height_checks"
    )
    temperature_deg_c = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    loading = models.CharField(max_length=12, choices=Loading)
    note = models.CharField(_("note"), max_length=1000, blank=True)
    specification = models.ForeignKey(
        Specification, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+"
    )
    concession = models.ForeignKey(
        Concession, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+"
    )
    repeats = models.ForeignKey("self", null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    repeatability = models.JSONField()
    instruments = models.JSONField()
    findings = models.JSONField(default=list)
    result = models.JSONField()
    computed_with = models.JSONField()

    class Meta:
        ordering = ("happened_at", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(loading__in=["as_specified", "other"]),
                name="calibration_check_loading",
                violation_error_message=_("The loading is as_specified or other."),
            ),
            models.CheckConstraint(
                condition=Q(odometer_km__isnull=True) | Q(odometer_km__gte=0),
                name="calibration_check_odometer_from_zero",
                violation_error_message=_("An odometer shows 0 km or more."),
            ),
            models.CheckConstraint(
                condition=Q(happened_at__lte=models.F("received_at")),
                name="calibration_check_not_in_the_future",
                violation_error_message=_("What was measured was measured before it was received."),
            ),
        ]
        indexes = [
            models.Index(fields=["vehicle", "happened_at", "id"], name="calibration_check_of_vehicle"),
            models.Index(fields=["workshop", "recorded_at", "id"], name="calibration_check_order"),
            models.Index(fields=["instrument", "happened_at"], name="calibration_check_by_tape"),
        ]


class HeightCheckReading(RecordModel):
    """One reading at one corner. Never edited: a wrong one is struck, and stays visible.

    `measured_by` is none where only an import or a program knows of it.
    """

    height_check = models.ForeignKey(
        HeightCheck, on_delete=models.PROTECT, db_constraint=False, related_name="readings"
    )
    ordinal = models.PositiveSmallIntegerField()
    corner = models.CharField(max_length=2)
    height_mm = models.DecimalField(max_digits=8, decimal_places=3)
    confirmed = models.BooleanField(default=False)
    measured_by = models.ForeignKey(
        Membership, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+"
    )
    instrument = models.ForeignKey(
        Instrument, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+"
    )

    class Meta:
        ordering = ("height_check", "ordinal")
        constraints = [
            models.UniqueConstraint(fields=["height_check", "ordinal"], name="calibration_checkreading_ordinal"),
            models.CheckConstraint(condition=CORNER_CONDITION, name="calibration_checkreading_corner"),
            models.CheckConstraint(condition=Q(height_mm__gt=0), name="calibration_checkreading_above_zero"),
        ]


class HeightCheckStrike(RecordModel):
    """A reading of a height check struck out, with its reason and its replacement."""

    reading = models.ForeignKey(
        HeightCheckReading, on_delete=models.PROTECT, db_constraint=False, related_name="strikes"
    )
    replacement = models.ForeignKey(HeightCheckReading, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    reason = models.CharField(_("reason"), max_length=500)
    self_approved = models.BooleanField(default=False)

    class Meta:
        ordering = ("recorded_at", "id")
        constraints = [models.UniqueConstraint(fields=["reading"], name="calibration_checkstrike_once")]


class HeightCheckPhoto(RecordModel):
    """A picture that belongs to a height check: location removed, hash in the ledger, bytes in the file store."""

    height_check = models.ForeignKey(HeightCheck, on_delete=models.PROTECT, db_constraint=False, related_name="photos")
    sha256 = models.CharField(max_length=64)
    media_type = models.CharField(max_length=20)
    size = models.PositiveIntegerField()
    path = models.CharField(max_length=200)

    class Meta:
        ordering = ("recorded_at", "id")
