"""What was measured and what it showed."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models import Instrument, Membership, RecordModel, VersionedModel

from .job import JobRecordModel

CORNER_CONDITION = Q(corner__in=["FL", "FR", "RL", "RR"])


class Round(JobRecordModel):
    """One measurement of all four corners together with the set-points then stored.

    `taken_at` is the tablet's time; `happened_at` the same corrected by the clock offset that the server saw.
    Frozen into it are `repeatability` as known before the round (standard deviation, degrees of freedom) and
    `instruments`: what the uncertainty of each used instrument rests on. `repeats` is the earlier round that this
    one is, sent once more under another id; nothing is counted from it. `settling_cut_short_s`: how long the vehicle
    had stood at rest where the wait for it to settle was cut short, which the round counts in spite of.
    """

    taken_at = models.DateTimeField(_("taken at"))
    happened_at = models.DateTimeField()
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, db_constraint=False, related_name="rounds")
    temperature_deg_c = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    ride_position = models.CharField(max_length=8, default="normal")
    settled = models.BooleanField(default=True)
    settling_cut_short_s = models.PositiveIntegerField(null=True)
    recorded_from = models.CharField(max_length=8, default="tablet")
    setpoints = models.JSONField()
    repeatability = models.JSONField()
    instruments = models.JSONField()
    repeats = models.ForeignKey("self", null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+")

    class Meta(JobRecordModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(ride_position__in=["normal", "raised", "lowered", "loading"]),
                name="calibration_round_ride_position",
            ),
        ]
        indexes = [
            *JobRecordModel.Meta.indexes,
            models.Index(fields=["instrument", "happened_at"], name="calibration_round_by_tape"),
            models.Index(fields=["workshop", "recorded_at", "id"], name="calibration_round_order"),
        ]


class Reading(RecordModel):
    """One reading at one corner. Never edited: a wrong one is struck, and stays visible."""

    round = models.ForeignKey(Round, on_delete=models.PROTECT, db_constraint=False, related_name="readings")
    ordinal = models.PositiveSmallIntegerField()
    corner = models.CharField(max_length=2)
    height_mm = models.DecimalField(max_digits=8, decimal_places=3)
    confirmed = models.BooleanField(default=False)
    measured_by = models.ForeignKey(Membership, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, db_constraint=False, related_name="+")

    class Meta:
        ordering = ("round", "ordinal")
        constraints = [
            models.UniqueConstraint(fields=["round", "ordinal"], name="calibration_reading_ordinal"),
            models.CheckConstraint(condition=CORNER_CONDITION, name="calibration_reading_corner"),
            models.CheckConstraint(condition=Q(height_mm__gt=0), name="calibration_reading_above_zero"),
        ]


class ReadingStrike(RecordModel):
    """A reading struck out, with its reason and its replacement."""

    reading = models.ForeignKey(Reading, on_delete=models.PROTECT, db_constraint=False, related_name="strikes")
    replacement = models.ForeignKey(Reading, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    reason = models.CharField(_("reason"), max_length=500)
    self_approved = models.BooleanField(default=False)

    class Meta:
        ordering = ("recorded_at", "id")
        constraints = [models.UniqueConstraint(fields=["reading"], name="calibration_readingstrike_once")]


class Assessment(JobRecordModel):
    """The verdict on the pool of rounds that counted when it was made; `content` is the interface's JSON.

    `computed_with` names the code version and the constants, so that the figures can be derived again.
    """

    round = models.ForeignKey(Round, on_delete=models.PROTECT, db_constraint=False, related_name="assessments")
    content = models.JSONField()
    computed_with = models.JSONField()


class LeakTest(JobRecordModel):
    """Heights of the parked vehicle at two times, and how fast each corner sank between them.

    `started_at` and `ended_at` are the tablet's times; `happened_at` is the end as it counts. Heights are maps of
    whole micrometres by corner. Frozen into it are what its uncertainty rests on, as in a round, and `result` as it
    was first judged: the interface's JSON. `computed_with` as in an assessment.
    """

    instrument = models.ForeignKey(Instrument, on_delete=models.PROTECT, db_constraint=False, related_name="leak_tests")
    started_at = models.DateTimeField(_("started at"))
    ended_at = models.DateTimeField(_("ended at"))
    happened_at = models.DateTimeField()
    start_temperature_deg_c = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    end_temperature_deg_c = models.DecimalField(max_digits=5, decimal_places=2, null=True)
    start_heights_um = models.JSONField()
    end_heights_um = models.JSONField()
    confirmed = models.BooleanField(default=False)
    repeatability = models.JSONField()
    instruments = models.JSONField()
    result = models.JSONField()
    computed_with = models.JSONField()

    class Meta(JobRecordModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(ended_at__gt=models.F("started_at")), name="calibration_leaktest_ends_after_start"
            ),
        ]
        indexes = [
            *JobRecordModel.Meta.indexes,
            models.Index(fields=["instrument", "happened_at"], name="calibration_leak_by_tape"),
        ]


class RepeatabilitySums(VersionedModel):
    """Running sums over the repeated readings of one person with one instrument (ISO 5725-6)."""

    private_fields = ("version",)

    membership = models.ForeignKey(
        Membership, on_delete=models.PROTECT, db_constraint=False, related_name="repeatability"
    )
    instrument = models.ForeignKey(
        Instrument, on_delete=models.PROTECT, db_constraint=False, related_name="repeatability"
    )
    sum_of_squares_mm2 = models.FloatField(default=0.0)
    degrees_of_freedom = models.PositiveIntegerField(default=0)
    groups = models.PositiveIntegerField(default=0)
    slips = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["membership", "instrument"], name="calibration_repeatability_one"),
        ]


class Photo(JobRecordModel):
    """A picture of tape, tool screen or damage: location removed, hash in the ledger, bytes in the file store."""

    round = models.ForeignKey(Round, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="photos")
    write = models.ForeignKey(
        "calibration.Write", null=True, on_delete=models.PROTECT, db_constraint=False, related_name="photos"
    )
    sha256 = models.CharField(max_length=64)
    media_type = models.CharField(max_length=20)
    size = models.PositiveIntegerField()
    path = models.CharField(max_length=200)

    class Meta(JobRecordModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(round__isnull=False, write__isnull=True) | Q(round__isnull=True, write__isnull=False),
                name="calibration_photo_of_one_record",
            ),
        ]
