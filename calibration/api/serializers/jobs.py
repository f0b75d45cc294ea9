"""Jobs: opening one, its steps, and everything that is known of it."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from calibration.models import Job
from fleet.api.fields import AwareDateTime, StrictBoolean, StrictDecimal, TrimmedText
from fleet.api.inputs import FindingSerializer, PinField, RecordSerializer
from fleet.api.person_names import PersonName
from fleet.api.vehicle_models import SpecificationSerializer
from fleet.models import Bay, ServiceEvent

from ..fields import Document, OneOf, RecordOf, Sha256, VehicleByVin, corner, counts, reason_text
from .assessment import AssessmentDocument
from .findings import ApprovalRecord, StandingFinding
from .leak_tests import LeakTestRecord
from .proposals import ConcessionRecord, ProposalRecord, ReversionRecord
from .readiness import MergedOutcomes, ReadinessRecord
from .records import Reasoned, Recorded, VehicleReference
from .rounds import PhotoRecord, RoundRecord
from .writes import WriteRecord

NEXT_STEPS = (
    "check_readiness",
    "measure",
    "read_again",
    "propose",
    "get_approval",
    "write",
    "settle_and_measure",
    "inspect",
    "sign_off",
    "paused",
    "done",
)
MOST_KILOMETRES = 10_000_000


# --- bodies ------------------------------------------------------------------------------------------
class NewJob(RecordSerializer):
    """A vehicle has arrived."""

    vehicle = VehicleByVin(help_text=_("VIN of the vehicle."))
    reason = OneOf("JobReason", Job.Reason.values, help_text=_("Why the vehicle came."))
    to_job = RecordOf(
        Job.objects.all(),
        _("job"),
        required=False,
        allow_null=True,
        default=None,
        help_text=_("With reason `reversion`: the job whose as-found set-points are to be restored."),
    )
    odometer_km = StrictDecimal(places=1, minimum=0, maximum=MOST_KILOMETRES, help_text=_("Odometer at reception, km."))
    bay = RecordOf(
        Bay.objects.all(),
        _("bay"),
        required=False,
        allow_null=True,
        default=None,
        help_text=_("Id of the bay in which it is measured; null: none of those surveyed."),
    )
    note = TrimmedText(
        max_length=2000,
        allow_blank=True,
        lines=True,
        required=False,
        default="",
        help_text=_("What the customer says, what was seen at reception."),
    )


class NewPause(Reasoned):
    """Parts are awaited, or the work goes on another day."""


class NewResumption(Reasoned):
    """The work goes on; the set-points as read now."""

    setpoints = counts()
    nothing_changed = StrictBoolean(help_text=_("Whether nothing on the vehicle was changed meanwhile."))


class NewEnd(Reasoned):
    """The job ends without sign-off."""

    setpoints = counts(
        required=False,
        allow_null=True,
        default=None,
        help_text=_("As last read; required once anything was written."),
    )


class NewRefiling(Reasoned):
    """The job belonged to another vehicle."""

    vehicle = VehicleByVin(help_text=_("VIN of the vehicle that it belonged to."))


class NewReversion(Reasoned):
    """Back to the as-found set-points."""


class NewSignOff(RecordSerializer):
    """The signature that the work is complete, over what was shown."""

    pin = PinField(help_text=_("The signer's own PIN, 4 to 8 digits as text."))
    content_sha256 = Sha256(help_text=_("The job's, as it was shown."))
    remark = reason_text(
        allow_blank=True, required=False, default="", help_text=_("What the certificate is to say besides.")
    )


# --- answers -----------------------------------------------------------------------------------------
class OperatorReference(serializers.Serializer[Any]):
    id = serializers.UUIDField()
    name = serializers.CharField()


class JobSummary(serializers.Serializer[Any]):
    """A job as lists show it."""

    id = serializers.UUIDField()
    number = serializers.IntegerField(min_value=1, help_text=_("Counted within the workshop, without gaps."))
    vehicle = VehicleReference()
    operator = OperatorReference(
        allow_null=True, help_text=_("Who runs the vehicle now; null for a contact whose it no longer is.")
    )
    state = OneOf("JobState", Job.State.values)
    reason = OneOf("JobReason", Job.Reason.values)
    to_job = serializers.UUIDField(source="to_job_id", allow_null=True)
    odometer_km = StrictDecimal(places=1, minimum=0)
    bay = serializers.UUIDField(source="bay_id", allow_null=True)
    note = serializers.CharField(allow_blank=True)
    opened_at = AwareDateTime()
    opened_by = serializers.UUIDField()
    opened_by_name = PersonName("opened_by")
    closed_at = AwareDateTime(allow_null=True)


class NextStepDetail(serializers.Serializer[Any]):
    """Why this is the next step, and what it means."""

    reason = serializers.CharField(help_text=_("A stable code."))
    detail = serializers.CharField(help_text=_("Why and what to do, for people."))
    corners = serializers.ListField(child=corner(), help_text=_("The corners that it is about."))
    one_decides_alone = serializers.BooleanField(
        help_text=_("Something is to be decided, and this workshop's only approver decides on their own work too.")
    )


class CautionText(serializers.Serializer[Any]):
    code = serializers.CharField()
    text = serializers.CharField()


class CautionsAhead(serializers.Serializer[Any]):
    """By step."""

    measure = CautionText(many=True)
    write = CautionText(many=True)
    settle_and_measure = CautionText(many=True)


class ReadinessSummary(serializers.Serializer[Any]):
    """What counts now, and every record."""

    ready = serializers.BooleanField()
    merged = MergedOutcomes()
    records = ReadinessRecord(many=True)


class RoundSetpoints(serializers.Serializer[Any]):
    """A round and the set-points that were then stored."""

    round = serializers.UUIDField()
    setpoints = counts()


class AsFound(RoundSetpoints):
    """The first round, and the verdict on the vehicle as it was found."""

    assessment = Document(
        AssessmentDocument,
        allow_null=True,
        help_text=_("By the specification's own targets, whatever came afterwards; null where none was judged."),
    )


class PauseRecord(Recorded):
    reason = serializers.CharField()


class ResumptionRecord(Recorded):
    reason = serializers.CharField()
    setpoints = counts()
    nothing_changed = serializers.BooleanField()


class RefilingRecord(Recorded):
    from_vehicle = serializers.UUIDField(source="from_vehicle_id")
    to_vehicle = serializers.UUIDField(source="to_vehicle_id")
    reason = serializers.CharField()


class EndRecord(Recorded):
    reason = serializers.CharField()
    setpoints = counts(allow_null=True)


class SignOffRecord(Recorded):
    content_sha256 = Sha256()
    remark = serializers.CharField(allow_blank=True)


class EventInJob(serializers.Serializer[Any]):
    """Work on the vehicle since the job opened, as far as it bears on heights."""

    id = serializers.UUIDField()
    kind = OneOf("ServiceEventKind", ServiceEvent.Kind.values)
    corner = corner(allow_null=True)
    happened_at = AwareDateTime()
    note = serializers.CharField(allow_blank=True)
    findings = FindingSerializer(many=True)


class JobRecord(JobSummary):
    """Everything about one job."""

    next_step = OneOf("NextStep", NEXT_STEPS)
    next_step_detail = NextStepDetail()
    cautions = CautionText(many=True, help_text=_("To be shown at the next step."))
    cautions_ahead = CautionsAhead(
        help_text=_("Those of steps that may be come to without network, before the job is read again.")
    )
    content_sha256 = Sha256(help_text=_("Of what a signer sees; to be sent back with the signature."))
    specification = SpecificationSerializer(
        allow_null=True, help_text=_("The revision that the job is judged by; null while the model has none.")
    )
    readiness = ReadinessSummary()
    rounds = RoundRecord(many=True)
    assessment = Document(
        AssessmentDocument, allow_null=True, help_text=_("Of the rounds that count now; null where none do.")
    )
    proposal = ProposalRecord(allow_null=True, help_text=_("The open one."))
    approval = ApprovalRecord(allow_null=True, help_text=_("The open one."))
    proposals = ProposalRecord(many=True)
    approvals = ApprovalRecord(many=True)
    writes = WriteRecord(many=True)
    leak_tests = LeakTestRecord(many=True)
    findings = StandingFinding(many=True)
    concession = ConcessionRecord(allow_null=True, help_text=_("The one whose targets are in force."))
    concessions = ConcessionRecord(many=True)
    reversions = ReversionRecord(many=True)
    pauses = PauseRecord(many=True)
    resumptions = ResumptionRecord(many=True)
    refilings = RefilingRecord(many=True)
    events = EventInJob(many=True)
    photos = PhotoRecord(many=True)
    as_found = AsFound(allow_null=True, help_text=_("The first round."))
    as_left = RoundSetpoints(allow_null=True, help_text=_("The last round."))
    setpoints = counts(allow_null=True, help_text=_("Those now stored, as last read; null while none were read."))
    baseline = counts(allow_null=True, help_text=_("The set-points that shift limits count from."))
    repeat_limit_mm = serializers.FloatField(
        help_text=_("Two readings at a corner that differ by more than this must be repeated.")
    )
    repeat_limits_mm = serializers.DictField(
        child=serializers.FloatField(),
        help_text=_(
            "By the number of readings at a corner of a round: where so many spread over more than this, one more is "
            "read. Of more readings than are named here the median counts where they spread too far."
        ),
    )
    gross_limit_mm = serializers.FloatField(
        help_text=_("A height further than this from its target must be entered again to confirm.")
    )
    end = EndRecord(allow_null=True)
    sign_off = SignOffRecord(allow_null=True)
