"""What was proposed, allowed, written and found."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _
from django.utils.translation import pgettext_lazy

from .job import JobRecordModel

CORNER_OR_NONE = Q(corner__in=["", "FL", "FR", "RL", "RR"])


class Proposal(JobRecordModel):
    """Set-point changes with their limit checks and predicted result; `content` is the interface's JSON."""

    class Kind(models.TextChoices):
        COMPUTED = "computed", _("computed")
        ENTERED = "entered", _("entered by hand")
        REVERSION = "reversion", _("reversion")

    class Outcome(models.TextChoices):
        ALLOWED = "allowed", _("allowed")
        NEEDS_APPROVAL = "needs_approval", _("needs approval")
        REFUSED = "refused", _("refused")

    kind = models.CharField(max_length=9, choices=Kind)
    outcome = models.CharField(max_length=14, choices=Outcome)
    from_setpoints = models.JSONField()
    to_setpoints = models.JSONField()
    justification = models.CharField(_("justification"), max_length=1000, blank=True)
    content = models.JSONField()
    content_sha256 = models.CharField(max_length=64)
    computed_with = models.JSONField()

    class Meta(JobRecordModel.Meta):
        indexes = [
            *JobRecordModel.Meta.indexes,
            models.Index(fields=["workshop", "recorded_at", "id"], name="calibration_proposal_order"),
        ]


class Write(JobRecordModel):
    """What was stored in the vehicle, with the read-back.

    `repeats` is the earlier write that this one is, sent once more under another id; it is not counted.
    """

    proposal = models.ForeignKey(
        Proposal, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="writes"
    )
    written_at = models.DateTimeField(_("written at"))
    happened_at = models.DateTimeField()
    read_back = models.JSONField()
    verified = models.BooleanField()
    mismatches = models.JSONField(default=list)
    repeats = models.ForeignKey("self", null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+")

    class Meta(JobRecordModel.Meta):
        indexes = [
            *JobRecordModel.Meta.indexes,
            models.Index(fields=["workshop", "recorded_at", "id"], name="calibration_write_order"),
        ]


class Concession(JobRecordModel):
    """Permission to set a target other than the specification's (ISO 9000:2015, 3.12.5), once approved."""

    front_target_mm = models.DecimalField(max_digits=7, decimal_places=2)
    rear_target_mm = models.DecimalField(max_digits=7, decimal_places=2)
    reason = models.CharField(_("reason"), max_length=1000)
    acknowledged_by = models.CharField(_("acknowledged by"), max_length=120)
    acknowledged_on = models.DateField(_("acknowledged on"))

    private_fields = ("acknowledged_by",)


class Approval(JobRecordModel):
    """A request for approval by another person, bound to the hash of what is to be approved."""

    class Subject(models.TextChoices):
        PROPOSAL = "proposal", _("proposal")
        CONCESSION = "concession", _("concession")
        SIGN_OFF = "sign_off", _("sign-off with undecided corners")

    subject = models.CharField(max_length=10, choices=Subject)
    proposal = models.ForeignKey(
        Proposal, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="approvals"
    )
    concession = models.ForeignKey(
        Concession, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="approvals"
    )
    content_sha256 = models.CharField(max_length=64)

    class Meta(JobRecordModel.Meta):
        constraints = [
            models.CheckConstraint(
                condition=Q(subject="proposal", proposal__isnull=False, concession__isnull=True)
                | Q(subject="concession", proposal__isnull=True, concession__isnull=False)
                | Q(subject="sign_off", proposal__isnull=True, concession__isnull=True),
                name="calibration_approval_of_its_subject",
            ),
        ]


class Decision(JobRecordModel):
    """The decision on an approval."""

    class Outcome(models.TextChoices):
        APPROVE = "approve", _("approve")
        REFUSE = "refuse", _("refuse")

    approval = models.ForeignKey(Approval, on_delete=models.PROTECT, db_constraint=False, related_name="decisions")
    decision = models.CharField(max_length=7, choices=Outcome)
    reason = models.CharField(_("reason"), max_length=1000)
    content_sha256 = models.CharField(max_length=64)
    self_approved = models.BooleanField(default=False)

    class Meta(JobRecordModel.Meta):
        constraints = [models.UniqueConstraint(fields=["approval"], name="calibration_decision_once")]


class Finding(JobRecordModel):
    """Something about a fact that somebody must know or rule on. `key` names it within its job."""

    class Severity(models.TextChoices):
        NOTE = "note", pgettext_lazy("severity", "note")
        REVIEW = "review", _("review")
        STOP = "stop", _("stop")

    key = models.CharField(max_length=120)
    code = models.CharField(max_length=40)
    severity = models.CharField(max_length=6, choices=Severity)
    corner = models.CharField(max_length=2, blank=True)
    source_type = models.CharField(max_length=24)
    source_id = models.UUIDField(null=True)
    values = models.JSONField(default=dict)

    class Meta(JobRecordModel.Meta):
        constraints = [
            models.UniqueConstraint(fields=["job", "key"], name="calibration_finding_once"),
            models.CheckConstraint(condition=CORNER_OR_NONE, name="calibration_finding_corner"),
        ]


class Ruling(JobRecordModel):
    """A manager's word on a finding: accepted findings no longer block, rejected ones stand."""

    class Outcome(models.TextChoices):
        ACCEPT = "accept", _("accept")
        REJECT = "reject", _("reject")

    finding = models.ForeignKey(Finding, on_delete=models.PROTECT, db_constraint=False, related_name="rulings")
    decision = models.CharField(max_length=6, choices=Outcome)
    reason = models.CharField(_("reason"), max_length=1000)
    self_approved = models.BooleanField(default=False)
