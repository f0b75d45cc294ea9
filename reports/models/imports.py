"""Files that managers hand in, and what comes of carrying them out."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.models import Membership, TenantModel, Vehicle


class ImportFile(TenantModel):
    """A file as it was handed in. Its content is kept for some days, so that after a trial it can be carried out."""

    kept_by_ledger = False

    class Format(models.TextChoices):
        CSV = "csv", _("text in columns (CSV)")
        XLSX = "xlsx", _("spreadsheet (XLSX)")
        NDJSON = "ndjson", _("a JSON object in each line (NDJSON)")

    name = models.CharField(max_length=200, editable=False)
    format = models.CharField(max_length=8, editable=False)
    encoding = models.CharField(max_length=12, blank=True, editable=False)
    delimiter = models.CharField(max_length=1, blank=True, editable=False)
    """Of text in columns."""
    size = models.PositiveBigIntegerField(editable=False)
    lines = models.PositiveBigIntegerField(null=True, editable=False)
    """None of a spreadsheet before its rows are written out."""
    sha256 = models.CharField(max_length=64, editable=False)
    handed_in_by = models.ForeignKey(Membership, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    handed_in_at = models.DateTimeField(editable=False)
    removed_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ("-handed_in_at", "-id")


class ImportFilePart(TenantModel):
    """A piece of a file's content, in the transaction that keeps the file: none is ever left over or missing."""

    kept_by_ledger = False

    file = models.ForeignKey(ImportFile, on_delete=models.PROTECT, db_constraint=False, related_name="parts")
    of_rows = models.BooleanField(editable=False)
    """Not of the file itself, but of its rows as lines of JSON, made from what cannot be read from the middle."""
    number = models.PositiveIntegerField(editable=False)
    content = models.BinaryField(editable=False)

    class Meta:
        ordering = ("file", "of_rows", "number")
        constraints = [
            models.UniqueConstraint(
                fields=["file", "of_rows", "number"],
                name="reports_importfilepart_number",
                violation_error_message=_("This piece of the file is there already."),
            )
        ]


class Import(TenantModel):
    """One run over a file, by whom and with which columns. The ledger tells of it once it has ended."""

    not_yet_kept_while = {"finished_at": None}
    private_fields = ("assumptions",)  # the ledger has them among the facts of the entry that tells how it ended

    class State(models.TextChoices):
        QUEUED = "queued", _("waiting")
        RUNNING = "running", _("running")
        DONE = "done", _("done")
        FAILED = "failed", _("failed")
        CANCELLED = "cancelled", _("cancelled")

    class Phase(models.TextChoices):
        CHECKING = "checking", _("looking through the rows")
        RECORDING = "recording", _("recording")

    file = models.ForeignKey(ImportFile, on_delete=models.PROTECT, db_constraint=False, related_name="imports")
    file_sha256 = models.CharField(max_length=64, editable=False)
    kind = models.CharField(_("kind"), max_length=16, editable=False)
    columns = models.JSONField(default=dict, editable=False)
    """Our column → the file's heading."""
    time_zone = models.CharField(max_length=64, blank=True, editable=False)
    """In which times without an offset are read; none: they are refused."""
    assumptions = models.JSONField(default=dict, editable=False)
    """What was said of the file that its cells do not say (`imports.assumptions`)."""
    language = models.CharField(max_length=8, editable=False)
    """Of the sentences about rows."""
    dry_run = models.BooleanField(editable=False)
    atomic = models.BooleanField(editable=False)
    state = models.CharField(_("state"), max_length=9, choices=State, default=State.QUEUED, editable=False)
    phase = models.CharField(max_length=9, choices=Phase, editable=False)
    position = models.PositiveBigIntegerField(default=0, editable=False)
    """Where in the file the next piece begins, in bytes."""
    line = models.PositiveBigIntegerField(default=0, editable=False)
    """The last line before that."""
    rows = models.PositiveBigIntegerField(default=0, editable=False)
    accepted = models.PositiveBigIntegerField(default=0, editable=False)
    known = models.PositiveBigIntegerField(default=0, editable=False)
    """Of the accepted those that were on record before."""
    unjudged = models.PositiveBigIntegerField(default=0, editable=False)
    """Of those recorded, checks of a day on which no specification was in force."""
    rejected = models.PositiveBigIntegerField(default=0, editable=False)
    failure = models.JSONField(null=True, editable=False)
    """Why all of it failed: code and detail."""
    started_by = models.ForeignKey(Membership, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    created_at = models.DateTimeField(editable=False)
    finished_at = models.DateTimeField(null=True, editable=False)

    class Meta:
        ordering = ("-created_at", "-id")
        indexes = [models.Index(fields=["workshop", "created_at", "id"], name="reports_import_order")]
        constraints = [
            models.CheckConstraint(
                condition=Q(rows__gte=models.F("accepted") + models.F("rejected")),
                name="reports_import_rows_counted",
                violation_error_message=_("No row is both accepted and rejected."),
            ),
            models.CheckConstraint(
                condition=Q(known__lte=models.F("accepted")),
                name="reports_import_known_accepted",
                violation_error_message=_("What was known before is among what is accepted."),
            ),
            models.CheckConstraint(
                condition=Q(state__in=["queued", "running"], finished_at__isnull=True)
                | Q(state__in=["done", "failed", "cancelled"], finished_at__isnull=False),
                name="reports_import_finished_has_time",
                violation_error_message=_("An import that has ended says when."),
            ),
        ]


class RowProblem(TenantModel):
    """Why a row of a file was not accepted."""

    kept_by_ledger = False

    of_import = models.ForeignKey(Import, on_delete=models.PROTECT, db_constraint=False, related_name="problems")
    line = models.PositiveBigIntegerField(editable=False)
    ordinal = models.PositiveSmallIntegerField(editable=False)
    field = models.CharField(max_length=32, blank=True, editable=False)
    code = models.CharField(max_length=48, editable=False)
    detail = models.CharField(max_length=600, editable=False)

    class Meta:
        ordering = ("of_import", "line", "ordinal")
        constraints = [
            models.UniqueConstraint(
                fields=["of_import", "line", "ordinal"],
                name="reports_rowproblem_place",
                violation_error_message=_("This was said of the row already."),
            )
        ]


class SeenRow(TenantModel):
    """What identifies a row that a run without effects accepted: the same one later in the file is known by it."""

    kept_by_ledger = False

    of_import = models.ForeignKey(Import, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    key = models.CharField(max_length=64, editable=False)
    fingerprint = models.CharField(max_length=64, editable=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["of_import", "key"],
                name="reports_seenrow_key",
                violation_error_message=_("This row was seen already."),
            )
        ]


class ImportedVehicle(TenantModel):
    """A vehicle that an import recorded something of, until its evaluation is asked for: once, not for each row."""

    kept_by_ledger = False

    of_import = models.ForeignKey(Import, on_delete=models.PROTECT, db_constraint=False, related_name="+")
    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["of_import", "vehicle"],
                name="reports_importedvehicle_once",
                violation_error_message=_("This vehicle is noted already."),
            )
        ]
