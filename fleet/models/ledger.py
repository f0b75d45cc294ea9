"""What all stand on: the ledger, receipts for client-made ids, and the outbox."""

from __future__ import annotations

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from .base import TenantModel


class LedgerEntry(TenantModel):
    """One business step in a book: a vehicle's, or the workshop's own for set-up.

    `book` is the vehicle's id, or the workshop's. Within a book, sequences count from 1 without a gap and each
    entry carries its predecessor's hash.
    """

    kept_by_ledger = False

    book = models.UUIDField(editable=False)
    vehicle = models.ForeignKey(
        "fleet.Vehicle", null=True, on_delete=models.PROTECT, db_constraint=False, related_name="ledger"
    )
    sequence = models.PositiveBigIntegerField(editable=False)
    recorded_at = models.DateTimeField(editable=False)
    device_at = models.DateTimeField(null=True, editable=False)
    clock_offset_ms = models.BigIntegerField(null=True, editable=False)
    actor = models.UUIDField(null=True, editable=False)
    roles = ArrayField(models.CharField(max_length=20), editable=False)
    kind = models.CharField(_("kind"), max_length=48, editable=False)
    record_type = models.CharField(max_length=48, editable=False)
    record_id = models.UUIDField(editable=False)
    payload = models.JSONField(editable=False)
    previous_hash = models.CharField(max_length=64, editable=False)
    hash = models.CharField(max_length=64, editable=False)

    class Meta:
        ordering = ("book", "sequence")
        constraints = [
            models.UniqueConstraint(
                fields=["book", "sequence"],
                name="fleet_ledgerentry_book_sequence",
                violation_error_message=_("This place in the ledger is taken."),
            ),
            models.CheckConstraint(
                condition=Q(sequence__gte=1),
                name="fleet_ledgerentry_sequence_from_one",
                violation_error_message=_("Ledger entries are counted from 1."),
            ),
        ]
        indexes = [
            models.Index(fields=["book", "kind", "-sequence"], name="fleet_ledgerentry_kind"),
            models.Index(fields=["workshop", "record_id"], name="fleet_ledgerentry_record"),
        ]


class Receipt(TenantModel):
    """The client-made id of a request that was carried out, with the fingerprint of what it said."""

    kept_by_ledger = False

    kind = models.CharField(max_length=64, editable=False)
    fingerprint = models.CharField(max_length=64, editable=False)
    received_at = models.DateTimeField(editable=False)


class OutboxItem(TenantModel):
    """Background work, written in the transaction that asked for it."""

    kept_by_ledger = False

    class State(models.TextChoices):
        WAITING = "waiting", _("waiting")
        DONE = "done", _("done")
        PARKED = "parked", _("parked")

    kind = models.CharField(_("kind"), max_length=48)
    payload = models.JSONField(default=dict)
    state = models.CharField(_("state"), max_length=8, choices=State, default=State.WAITING)
    created_at = models.DateTimeField(editable=False)
    due_at = models.DateTimeField()
    attempts = models.PositiveSmallIntegerField(default=0)
    leased_until = models.DateTimeField(null=True)
    error = models.TextField(blank=True)
    finished_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ("created_at", "id")
        indexes = [
            models.Index(fields=["due_at"], condition=Q(state="waiting"), name="fleet_outboxitem_due"),
            models.Index(
                fields=["workshop", "created_at"], condition=Q(state="parked"), name="fleet_outboxitem_parked"
            ),
        ]


class Numbering(TenantModel):
    """The next number of a series of the workshop: jobs, certificates."""

    kept_by_ledger = False

    series = models.CharField(max_length=24)
    last = models.PositiveIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "series"],
                name="fleet_numbering_series",
                violation_error_message=_("There is already a counter for this series of numbers."),
            )
        ]
