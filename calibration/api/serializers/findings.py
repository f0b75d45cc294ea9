"""Findings, rulings, approvals and decisions."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from calibration.models import Approval, Decision, Finding, Ruling
from fleet.api.fields import AwareDateTime
from fleet.api.inputs import RecordSerializer
from fleet.api.person_names import PersonName

from ..fields import OneOf, RecordOf, Sha256, corner, reason_text, severity
from .records import Recorded, RecordedInJob, VehicleReference

APPROVAL_STATES = ("open", "approved", "refused", "void")


class RulingRecord(RecordedInJob):
    """A manager's word on a finding."""

    finding = serializers.UUIDField(source="finding_id")
    decision = OneOf("RulingOutcome", Ruling.Outcome.values)
    reason = serializers.CharField()
    self_approved = serializers.BooleanField()


class FindingRecord(serializers.Serializer[Any]):
    """Something about a fact that somebody must know, or rule on."""

    id = serializers.UUIDField()
    code = serializers.CharField()
    severity = severity()
    corner = corner(required=False)
    detail = serializers.CharField()
    values = serializers.DictField(child=serializers.JSONField(allow_null=True))
    source_type = serializers.CharField(allow_blank=True, help_text=_("What kind of record it is about."))
    source_id = serializers.UUIDField(allow_null=True)
    recorded_at = AwareDateTime()
    ruling = RulingRecord(required=False)


class StandingFinding(FindingRecord):
    """A finding within its job, where it is known whether it still matters."""

    in_force = serializers.BooleanField(help_text=_("False once it was mended, overtaken or accepted."))


class NewRuling(RecordSerializer):
    """A manager's word on a finding."""

    finding = RecordOf(Finding.objects.all(), _("finding"), help_text=_("Id of the finding, one of this job's."))
    decision = OneOf(
        "RulingOutcome", Ruling.Outcome.values, help_text=_("`accept`: no longer blocks; `reject`: stands.")
    )
    reason = reason_text()


class DecisionRecord(Recorded):
    decision = OneOf("DecisionOutcome", Decision.Outcome.values)
    reason = serializers.CharField()
    content_sha256 = Sha256()
    self_approved = serializers.BooleanField()


class ApprovalRecord(serializers.Serializer[Any]):
    """A request for approval by another person, bound to the hash of what is to be approved."""

    id = serializers.UUIDField()
    job = serializers.UUIDField()
    job_number = serializers.IntegerField(help_text=_("The job's number in the workshop."))
    vehicle = VehicleReference()
    subject = OneOf("ApprovalSubject", Approval.Subject.values)
    detail = serializers.CharField(help_text=_("Why another person is asked, for people."))
    proposal = serializers.UUIDField(allow_null=True)
    concession = serializers.UUIDField(allow_null=True)
    content_sha256 = Sha256(help_text=_("To be sent back with the decision."))
    state = OneOf(
        "ApprovalState", APPROVAL_STATES, help_text=_("`void`: a later fact took its subject away before a decision.")
    )
    requested_at = AwareDateTime()
    requested_by = serializers.UUIDField(allow_null=True)
    requested_by_name = PersonName("requested_by")
    decision = DecisionRecord(allow_null=True)


class NewDecision(RecordSerializer):
    """The decision on a request for approval."""

    decision = OneOf("DecisionOutcome", Decision.Outcome.values, help_text=_("Whether it may be done."))
    reason = reason_text()
    content_sha256 = Sha256(help_text=_("Of what was shown: the approval's."))
