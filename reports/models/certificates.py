"""A numbered document for the customer, and the bytes that were issued under its number."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from calibration.models import Job
from fleet.models import RecordModel, Vehicle, VersionedModel

from ..codes import CODE_LENGTH, new_code


class Certificate(VersionedModel):
    """One number of the workshop's series. It is superseded, never edited.

    The row carries identity and state only; what the document says is in its `CertificateFile`.
    """

    private_fields = ("version",)

    class Kind(models.TextChoices):
        CERTIFICATE = "certificate", _("certificate")
        FINDINGS_REPORT = "findings_report", _("findings report")

    class State(models.TextChoices):
        PREPARING = "preparing", _("in preparation")
        ISSUED = "issued", _("issued")
        REPLACED = "replaced", _("replaced")

    number = models.PositiveIntegerField(_("number"), editable=False)
    code = models.CharField(_("verification code"), max_length=CODE_LENGTH, default=new_code, editable=False)
    kind = models.CharField(_("kind"), max_length=15, choices=Kind)
    state = models.CharField(_("state"), max_length=9, choices=State, default=State.PREPARING)
    job = models.ForeignKey(Job, on_delete=models.PROTECT, db_constraint=False, related_name="certificates")
    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="certificates")
    """The job's vehicle when the number was given; a refiled job's replacement names the other one."""
    replaces = models.ForeignKey(
        "self", null=True, on_delete=models.PROTECT, db_constraint=False, related_name="replacements"
    )
    reason = models.CharField(_("reason of the replacement"), max_length=1000, blank=True)
    requested_at = models.DateTimeField(editable=False)
    requested_by = models.UUIDField(null=True, editable=False)
    """Membership that asked for a replacement; none where the service itself did."""
    issued_at = models.DateTimeField(null=True, editable=False)
    recipients = models.PositiveIntegerField(null=True, editable=False)
    """To how many addresses it was to go by e-mail when it was issued: the operator's, and those of its contacts."""

    class Meta:
        ordering = ("-number",)
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "number"],
                name="reports_certificate_number",
                violation_error_message=_("This certificate number is taken."),
            ),
            models.UniqueConstraint(
                fields=["code"],
                name="reports_certificate_code",
                violation_error_message=_("This verification code is taken."),
            ),
            models.UniqueConstraint(
                fields=["job"],
                condition=Q(replaces__isnull=True),
                name="reports_certificate_one_first",
                violation_error_message=_("This job has its certificate. Replace that one."),
            ),
            models.UniqueConstraint(
                fields=["replaces"],
                name="reports_certificate_replaced_once",
                violation_error_message=_("This certificate has its replacement. Replace the newest one instead."),
            ),
            models.CheckConstraint(
                condition=Q(state="preparing", issued_at__isnull=True)
                | Q(state__in=["issued", "replaced"], issued_at__isnull=False),
                name="reports_certificate_issued_with_time",
                violation_error_message=_("A certificate has a time of issue from its issue on, not before."),
            ),
            models.CheckConstraint(
                condition=Q(replaces__isnull=True, reason="") | Q(replaces__isnull=False) & ~Q(reason=""),
                name="reports_certificate_replacement_reason",
                violation_error_message=_("A replacement certificate, and only one, states why it replaces another."),
            ),
        ]
        indexes = [
            models.Index(fields=["workshop", "state", "number"], name="reports_certificate_by_state"),
        ]

    def __str__(self) -> str:
        return str(self.number)


class CertificateFile(RecordModel):
    """The document as issued: the snapshot it was drawn from and the bytes. Never changed.

    Snapshot and bytes hold names of people, so the ledger carries their hashes in their place.
    """

    private_fields = ("snapshot", "pdf")
    hashed_fields = {"snapshot": "snapshot_sha256", "pdf": "sha256"}

    certificate = models.OneToOneField(Certificate, on_delete=models.PROTECT, db_constraint=False, related_name="file")
    snapshot = models.JSONField()
    snapshot_sha256 = models.CharField(max_length=64)
    renderer_version = models.CharField(max_length=20)
    page_size = models.CharField(max_length=6)
    pdf = models.BinaryField()
    sha256 = models.CharField(max_length=64)

    class Meta:
        ordering = ("recorded_at", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(sha256__regex=r"^[0-9a-f]{64}$") & Q(snapshot_sha256__regex=r"^[0-9a-f]{64}$"),
                name="reports_certificatefile_hashes",
                violation_error_message=_("A SHA-256 has 64 hexadecimal digits."),
            ),
        ]
