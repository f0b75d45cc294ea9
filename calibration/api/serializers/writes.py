"""Writes with their read-back."""

from __future__ import annotations

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from calibration.models import Proposal
from fleet.api.fields import AwareDateTime
from fleet.api.inputs import RecordSerializer

from ..fields import RecordOf, corner, counts
from .findings import FindingRecord
from .records import RecordedInJob


class NewWrite(RecordSerializer):
    """What was stored in the vehicle, as read back from it."""

    proposal = RecordOf(
        Proposal.objects.all(),
        _("proposal"),
        required=False,
        allow_null=True,
        default=None,
        help_text=_("Id of the proposal that was written; null: none."),
    )
    written_at = AwareDateTime(help_text=_("The tablet's time, with offset."))
    read_back = counts(help_text=_("Set-points as read back after writing, for each controlled corner and no other."))


class WriteRecord(RecordedInJob):
    """A write with what it gave rise to."""

    proposal = serializers.UUIDField(source="proposal_id", allow_null=True)
    written_at = AwareDateTime()
    happened_at = AwareDateTime(
        help_text=_(
            "The time that counts: `written_at` corrected by the offset of the tablet's clock, or where that cannot "
            "be right the arrival."
        )
    )
    read_back = counts()
    verified = serializers.BooleanField(
        allow_null=True,
        help_text=_("Whether what was read back is what the proposal wanted; null: written without one."),
    )
    mismatches = serializers.ListField(child=corner())
    repeats = serializers.UUIDField(
        source="repeats_id",
        allow_null=True,
        help_text=_("The earlier write that this one is, sent once more under another id; it is then not counted."),
    )
    findings = FindingRecord(many=True)
