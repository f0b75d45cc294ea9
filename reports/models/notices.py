"""E-mails that people do without, and of what they were reminded."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from fleet.models import Instrument, Membership, Operator, TenantModel, Vehicle


class Notice(models.TextChoices):
    """The kinds of e-mail that somebody may do without. An invitation or a link for a password is none of them."""

    CERTIFICATE = "certificate", _("certificates and findings reports")
    APPROVAL = "approval", _("an approval is wanted")
    LATE_RECORD = "late_record", _("something was recorded after a job was closed")
    ALERTS = "alerts", _("alerts that were opened or resolved, or whose forecast has passed, at most once a day")
    CHECKS = "checks", _("height checks that are due or overdue, at most once a day")
    INSTRUMENTS = "instruments", _("instruments whose calibration is due or overdue, at most once a day")
    CHECKPOINT = "checkpoint", _("the signed head of all records, to keep as evidence, at most once a day")


class DeclinedNotice(TenantModel):
    """That a person, or an operator as such, does without e-mails of a kind."""

    kept_by_ledger = False

    membership = models.ForeignKey(
        Membership, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="declined_notices"
    )
    operator = models.ForeignKey(
        Operator, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="declined_notices"
    )
    kind = models.CharField(max_length=16, choices=Notice)
    declined_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("kind", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["membership", "operator", "kind"],
                nulls_distinct=False,
                name="reports_declinednotice_once",
                violation_error_message=_("These e-mails are declined already."),
            ),
            models.CheckConstraint(
                condition=Q(membership__isnull=True) ^ Q(operator__isnull=True),
                name="reports_declinednotice_of_one",
                violation_error_message=_("E-mails are declined by a person or by an operator."),
            ),
        ]


class Reminder(TenantModel):
    """That it was noted once that something is due, or overdue, counted from when it was last done."""

    kept_by_ledger = False

    class Stage(models.TextChoices):
        DUE = "due", pgettext_lazy("reminder", "due soon")
        OVERDUE = "overdue", pgettext_lazy("reminder", "overdue")

    vehicle = models.ForeignKey(
        Vehicle, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="reminders"
    )
    instrument = models.ForeignKey(
        Instrument, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="reminders"
    )
    stage = models.CharField(max_length=7, choices=Stage)
    done_on = models.DateField(editable=False)
    """The day of the measurement or calibration that the interval counts from."""
    due_on = models.DateField(editable=False)
    due_at_km = models.PositiveIntegerField(null=True, editable=False)
    noted_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("due_on", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle", "instrument", "stage", "done_on"],
                nulls_distinct=False,
                name="reports_reminder_once",
                violation_error_message=_("This was noted already."),
            ),
            models.CheckConstraint(
                condition=Q(vehicle__isnull=True) ^ Q(instrument__isnull=True),
                name="reports_reminder_of_one",
                violation_error_message=_("A reminder is of a vehicle or of an instrument."),
            ),
        ]
        indexes = [models.Index(fields=["workshop", "noted_at"], name="reports_reminder_noted")]
