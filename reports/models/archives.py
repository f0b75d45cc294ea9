"""The whole workshop as an archive: exports that were asked for, and the archive that an empty workshop took in."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from fleet.models import Membership, TenantModel


class Export(TenantModel):
    """An archive of the whole workshop, made in the background and kept for some days."""

    private_fields = ("made_at", "expires_at", "cleared_at", "size", "sha256", "counts", "missing")

    requested_by = models.ForeignKey(
        Membership, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="exports"
    )
    requested_at = models.DateTimeField(editable=False)
    made_at = models.DateTimeField(null=True, editable=False)
    """The moment that the archive is of."""
    expires_at = models.DateTimeField(null=True, editable=False)
    cleared_at = models.DateTimeField(null=True, editable=False)
    size = models.PositiveBigIntegerField(null=True, editable=False)
    sha256 = models.CharField(max_length=64, blank=True, editable=False)
    counts = models.JSONField(default=dict, editable=False)
    missing = models.PositiveIntegerField(default=0, editable=False)
    """Pictures that records name and the file store did not have."""

    class Meta:
        ordering = ("-requested_at", "-id")
        constraints = [
            models.CheckConstraint(
                condition=Q(made_at__isnull=True, expires_at__isnull=True, size__isnull=True, sha256="")
                | Q(
                    made_at__isnull=False,
                    expires_at__isnull=False,
                    size__isnull=False,
                    sha256__regex=r"^[0-9a-f]{64}$",
                ),
                name="reports_export_made_whole",
                violation_error_message=_("An export that is made has a size, a hash and an end; no other has."),
            ),
            models.CheckConstraint(
                condition=Q(cleared_at__isnull=True) | Q(made_at__isnull=False),
                name="reports_export_cleared_after_made",
                violation_error_message=_("Only an export that was made can be cleared away."),
            ),
        ]
        indexes = [models.Index(fields=["workshop", "-requested_at", "-id"], name="reports_export_order")]


class ArchiveIntake(TenantModel):
    """An archive that was handed in, and what came of it. Of one that is taken in, its ledger stays as evidence."""

    private_fields = ("state", "refusal", "source", "finished_at", "evidence_sha256")

    class State(models.TextChoices):
        WAITING = "waiting", pgettext_lazy("archive", "waiting")
        DONE = "done", pgettext_lazy("archive", "taken in")
        REFUSED = "refused", pgettext_lazy("archive", "not accepted")

    handed_in_by = models.ForeignKey(
        Membership, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="archives"
    )
    handed_in_at = models.DateTimeField(editable=False)
    sha256 = models.CharField(max_length=64, editable=False)
    size = models.PositiveBigIntegerField(editable=False)
    state = models.CharField(max_length=7, choices=State, default=State.WAITING, editable=False)
    refusal = models.JSONField(default=dict, editable=False)
    source = models.JSONField(default=dict, editable=False)
    """Of which workshop, installation and time the archive is, by its manifest."""
    finished_at = models.DateTimeField(null=True, editable=False)
    evidence_sha256 = models.CharField(max_length=64, blank=True, editable=False)
    """Of the file with the ledger as it was, which is kept."""

    class Meta:
        ordering = ("-handed_in_at", "-id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop"],
                condition=~Q(state="refused"),
                name="reports_archiveintake_one",
                violation_error_message=_(
                    "This workshop has taken in an archive, or one waits for that. Make a new workshop for another."
                ),
            ),
            models.CheckConstraint(
                condition=Q(sha256__regex=r"^[0-9a-f]{64}$"),
                name="reports_archiveintake_hash",
                violation_error_message=_("A SHA-256 has 64 hexadecimal digits."),
            ),
            models.CheckConstraint(
                condition=Q(state="waiting", finished_at__isnull=True)
                | Q(state="refused", finished_at__isnull=False, evidence_sha256="")
                | (Q(state="done", finished_at__isnull=False) & ~Q(evidence_sha256="")),
                name="reports_archiveintake_finished_with_time",
                violation_error_message=_("An archive that waits has no end, and any other has."),
            ),
        ]
        indexes = [models.Index(fields=["workshop", "-handed_in_at", "-id"], name="reports_archiveintake_order")]
