"""The workshop's Merkle tree over its ledger entries, and the signed heads of it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from .base import TenantModel, VersionedModel
from .sign_in import Tablet


class LedgerLeaf(TenantModel):
    """One ledger entry as a leaf of the tree; it has the entry's id.

    `nodes` are the hashes of the nodes that this leaf completes, its own first, then upwards: 32 bytes each. So the
    table holds every node of the tree once, and whatever a proof needs is found by `leaf_index`.
    """

    kept_by_ledger = False

    leaf_index = models.PositiveBigIntegerField(editable=False)
    """Counted from 0, without a gap."""
    nodes = models.BinaryField(editable=False)

    class Meta:
        ordering = ("leaf_index",)
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "leaf_index"],
                name="fleet_ledgerleaf_index",
                violation_error_message=_("This place in the tree is taken."),
            )
        ]


class Checkpoint(TenantModel):
    """A signed head of the tree: that its first `size` leaves have this root."""

    kept_by_ledger = False

    size = models.PositiveBigIntegerField(editable=False)
    root = models.CharField(max_length=64, editable=False)
    made_at = models.DateTimeField(editable=False)
    note = models.TextField(editable=False)
    """The signed text (`fleet.signed_heads`), which says the same as the columns."""

    class Meta:
        ordering = ("-size",)
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "size"],
                name="fleet_checkpoint_size",
                violation_error_message=_("The tree has its head of this size."),
            ),
            models.CheckConstraint(
                condition=Q(size__gte=1) & Q(root__regex=r"^[0-9a-f]{64}$"),
                name="fleet_checkpoint_of_leaves",
                violation_error_message=_("A head is over one leaf or more and has a SHA-256 for its root."),
            ),
        ]


class HeadConflict(VersionedModel):
    """That a tablet holds a head with which the workshop's tree does not go: found once, and kept."""

    class Kind(models.TextChoices):
        REWRITTEN = "rewritten", pgettext_lazy("head", "entries were rewritten")
        SHORTER = "shorter", pgettext_lazy("head", "entries are missing")
        UNKNOWN_KEY = "unknown_key", pgettext_lazy("head", "signed by no known key")

    tablet = models.ForeignKey(Tablet, on_delete=models.PROTECT, db_constraint=False, related_name="head_conflicts")
    kind = models.CharField(max_length=11, choices=Kind, editable=False)
    note = models.TextField(editable=False)
    """The head as the tablet holds it."""
    note_sha256 = models.CharField(max_length=64, editable=False)
    size = models.PositiveBigIntegerField(editable=False)
    tree_size = models.PositiveBigIntegerField(editable=False)
    """Of the workshop's tree when it was found."""
    found_at = models.DateTimeField(editable=False)
    acknowledged_at = models.DateTimeField(null=True, editable=False)
    acknowledged_by = models.UUIDField(null=True, editable=False)
    explanation = models.CharField(max_length=1000, blank=True, editable=False)

    class Meta:
        ordering = ("-found_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "note_sha256"],
                name="fleet_headconflict_once",
                violation_error_message=_("This head was found not to go with the tree already."),
            ),
            models.CheckConstraint(
                condition=Q(acknowledged_at__isnull=True, acknowledged_by__isnull=True, explanation="")
                | (Q(acknowledged_at__isnull=False, acknowledged_by__isnull=False) & ~Q(explanation="")),
                name="fleet_headconflict_explained",
                violation_error_message=_("Whoever acknowledges it says what explains it."),
            ),
        ]
        indexes = [models.Index(fields=["workshop", "-found_at", "-id"], name="fleet_headconflict_order")]
