"""What a tablet holds and cannot send, brought to the workshop as a file."""

from __future__ import annotations

from django.db import models
from django.utils.translation import gettext_lazy as _

from .base import TenantModel
from .people import Membership


class OutboxKey(TenantModel):
    """A key pair of the workshop: tablets encrypt to the public key, the service alone opens what they saved."""

    kept_by_ledger = False
    private_fields = ("sealed_private_key",)

    key_id = models.BinaryField(max_length=8, editable=False)
    """First bytes of SHA-256 over the public key, as they stand in the file."""
    public_key = models.BinaryField(max_length=65, editable=False)
    """P-256, uncompressed (SEC 1, 2.3.3)."""
    sealed_private_key = models.TextField(editable=False)
    """PKCS #8, encrypted with a key derived from the installation's."""
    created_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("-created_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "key_id"],
                name="fleet_outboxkey_one_of_an_id",
                violation_error_message=_("The workshop has a key of this id. Make another one."),
            )
        ]


class OutboxFile(TenantModel):
    """A file that a manager handed in. Its content goes once it is carried out, what came of it stays."""

    private_fields = ("content",)
    not_yet_kept_while = {"carried_out_at": None}

    tablet = models.CharField(max_length=80, editable=False)
    """What the tablet was called."""
    saved_at = models.DateTimeField(editable=False)
    content = models.BinaryField(editable=False)
    """As it was handed in, encrypted."""
    handed_in_by = models.ForeignKey(Membership, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    handed_in_at = models.DateTimeField(editable=False)
    carried_out_at = models.DateTimeField(null=True, editable=False)
    outcomes = models.JSONField(default=list, editable=False)
    """One for each record, in order."""

    class Meta:
        ordering = ("-handed_in_at", "-id")
