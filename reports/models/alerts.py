"""Something that is the matter with a vehicle's heights between services."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from calibration.models import Job
from fleet.models import Vehicle, VersionedModel

CORNERS_AND_AXLES = ("FL", "FR", "RL", "RR", "front", "rear")


class DriftAlert(VersionedModel):
    """One open alert per vehicle, place and kind. It is updated, not multiplied, and resolved when the matter is.

    `place` is a corner, an axle, or empty for the vehicle. `details` are the figures that it rests on now, named as in
    `metrology.drift_alerts`; the ledger has those of its opening and of its end.
    """

    private_fields = ("version", "details", "updated_at", "passed_told_at", "passed_told_of")

    class Kind(models.TextChoices):
        OUT_OF_TOLERANCE = "out_of_tolerance", _("out of tolerance")
        TREND = "trend", pgettext_lazy("alert", "trend")
        STEP = "step", pgettext_lazy("alert", "step")
        UNEVEN = "uneven", pgettext_lazy("alert", "uneven")
        OVERDUE = "overdue", _("check overdue")
        UNSTEADY = "unsteady", pgettext_lazy("alert", "unsteady")

    class State(models.TextChoices):
        OPEN = "open", pgettext_lazy("alert", "open")
        RESOLVED = "resolved", pgettext_lazy("alert", "resolved")

    class Resolution(models.TextChoices):
        PUT_RIGHT = "put_right", _("put right")
        CHECKED = "checked", _("checked since")
        OVERTAKEN = "overtaken", _("out of tolerance since")
        RECORD_REVISED = "record_revised", _("the record behind it was revised")

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="drift_alerts")
    kind = models.CharField(_("kind"), max_length=16, choices=Kind)
    place = models.CharField(_("place"), max_length=5, blank=True)
    state = models.CharField(_("state"), max_length=8, choices=State, default=State.OPEN)
    opened_at = models.DateTimeField(editable=False)
    updated_at = models.DateTimeField(editable=False)
    details = models.JSONField()
    resolved_at = models.DateTimeField(null=True, editable=False)
    resolution = models.CharField(max_length=14, choices=Resolution, blank=True)
    resolved_by_job = models.ForeignKey(
        Job, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="resolved_alerts"
    )
    acknowledged_at = models.DateTimeField(null=True, editable=False)
    acknowledged_by = models.UUIDField(null=True, editable=False)
    note = models.CharField(_("note"), max_length=1000, blank=True)
    """What whoever acknowledged it means to do."""
    passed_told_at = models.DateTimeField(null=True, editable=False)
    """Round in which it was last told that the day of its forecast had passed without a measurement."""
    passed_told_of = models.FloatField(null=True, editable=False)
    """Day of the measurement that the forecast then told of was made from; of one no later none is told again."""
    has_passed = False
    """Of an open trend whose day has passed without a measurement; `selectors.alerts` says so of each that it finds."""
    is_outdated = False
    """Of an open trend that stands though its corner was measured since, with no such finding; said of as above."""

    class Meta:
        ordering = ("-opened_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "place", "kind"],
                condition=Q(state="open"),
                name="reports_driftalert_one_open",
                violation_error_message=_("There is an open alert of this kind here. It is updated instead."),
            ),
            models.CheckConstraint(
                condition=Q(kind="overdue", place="")
                | Q(kind="uneven", place__in=["front", "rear"])
                | Q(
                    kind__in=["out_of_tolerance", "trend", "step", "unsteady"],
                    place__in=["FL", "FR", "RL", "RR"],
                ),
                name="reports_driftalert_place",
                violation_error_message=_("An alert names the place that its kind is about."),
            ),
            models.CheckConstraint(
                condition=Q(state="open", resolved_at__isnull=True, resolution="")
                | (Q(state="resolved", resolved_at__isnull=False) & ~Q(resolution="")),
                name="reports_driftalert_resolved_with_time",
                violation_error_message=_("A resolved alert says when and why, an open one does not."),
            ),
            models.CheckConstraint(
                condition=Q(acknowledged_at__isnull=True, note="") | (Q(acknowledged_at__isnull=False) & ~Q(note="")),
                name="reports_driftalert_acknowledged_with_note",
                violation_error_message=_("Whoever acknowledges an alert says what is to be done."),
            ),
        ]
        indexes = [
            models.Index(fields=["workshop", "-opened_at", "-id"], name="reports_driftalert_order"),
            models.Index(fields=["vehicle", "-opened_at"], name="reports_driftalert_of_vehicle"),
            models.Index(
                fields=["workshop", "-opened_at", "-id"], condition=Q(state="open"), name="reports_driftalert_open"
            ),
        ]
