"""The workshop's Merkle tree over its ledger entries, and the signed heads of it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from .base import TenantModel


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
