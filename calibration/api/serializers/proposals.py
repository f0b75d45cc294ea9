"""Proposals, concessions and reversions."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers
from rest_framework.exceptions import ErrorDetail, ValidationError

from calibration.models import Proposal
from fleet.api.fields import PlainDate, SetPoint, StrictDecimal, TrimmedText
from fleet.api.inputs import RecordSerializer

from ..fields import Document, OneOf, Sha256, corner, counts, reason_text
from .records import Reasoned, RecordedInJob

KINDS = Proposal.Kind.values
OUTCOMES = Proposal.Outcome.values


class NewProposal(RecordSerializer):
    """Nothing for a computed proposal; set-points and a justification for one entered by hand."""

    setpoints = counts(required=False)
    justification = reason_text(required=False, help_text=_("Why these set-points and not the computed ones."))

    def validate(self, attrs: dict[str, Any]) -> dict[str, Any]:
        """A hand-entered proposal says why, and only a hand-entered one does."""
        if ("setpoints" in attrs) != ("justification" in attrs):
            missing = "justification" if "setpoints" in attrs else "setpoints"
            detail = _("A proposal entered by hand needs 'setpoints' and 'justification'; a computed one neither.")
            raise ValidationError({missing: [ErrorDetail(str(detail), "required")]})
        return attrs


class Change(serializers.Serializer[Any]):
    """What becomes of one controlled corner, and why."""

    to = SetPoint(help_text=_("Set-point to write, counts."))
    reason = serializers.CharField(help_text=_("Why, for people."))
    reason_code = serializers.CharField(help_text=_("Why, as a stable code."))
    numbers = serializers.DictField(
        child=serializers.FloatField(), required=False, help_text=_("The figures that the reason names.")
    )

    def get_fields(self) -> dict[str, serializers.Field[Any, Any, Any, Any]]:
        """`from` is no name that Python allows."""
        return {"from": SetPoint(help_text=_("Set-point now stored, counts.")), **super().get_fields()}


class Changes(serializers.Serializer[Any]):
    """By controlled corner."""

    FL = Change(required=False)
    FR = Change(required=False)
    RL = Change(required=False)
    RR = Change(required=False)


class PredictedHeight(serializers.Serializer[Any]):
    height_mm = serializers.FloatField(help_text=_("As the next round is expected to show it."))
    expanded_uncertainty_mm = serializers.FloatField(help_text=_("Of that round's height; two-sided, 95 %."))


class Prior(serializers.Serializer[Any]):
    """Where the expected responses came from."""

    source = OneOf(  # type: ignore[assignment]
        "PriorSource",
        ("specification", "model", "vehicle"),
        help_text=_("The specification's figures, what vehicles of the model did, or what this one did."),
    )
    vehicles = serializers.IntegerField(min_value=0, help_text=_("From how many vehicles; 0 for a specification."))
    detail = serializers.CharField(help_text=_("In words, for people."))


class Limit(serializers.Serializer[Any]):
    """One of the limits that set-points are checked against."""

    code = serializers.CharField(help_text=_("Which limit; a stable code."))
    corner = corner(allow_null=True, help_text=_("Null where it is about the whole vehicle."))
    outcome = OneOf("LimitOutcome", ("pass", "review", "refuse"), help_text=_("`review`: another person must approve."))
    value = serializers.FloatField(help_text=_("What the proposal comes to, in the limit's unit."))
    limit = serializers.FloatField(help_text=_("In counts, or millimetres where the code speaks of warp."))
    detail = serializers.CharField(help_text=_("In words, for people."))


class Consequences(serializers.Serializer[Any]):
    """Changes of the body's attitude; empty where nothing can be predicted."""

    heave_change_mm = serializers.FloatField(required=False)
    pitch_change_mm = serializers.FloatField(required=False)
    roll_change_mm = serializers.FloatField(required=False)
    warp_change_mm = serializers.FloatField(required=False)


class FollowUp(serializers.Serializer[Any]):
    code = serializers.CharField()
    detail = serializers.CharField()


class PredictedHeights(serializers.Serializer[Any]):
    """By corner; empty where nothing can be predicted."""

    FL = PredictedHeight(required=False)
    FR = PredictedHeight(required=False)
    RL = PredictedHeight(required=False)
    RR = PredictedHeight(required=False)


class ProposalRecord(RecordedInJob):
    """Set-point changes with their limit checks and what they are expected to do."""

    kind = OneOf("ProposalKind", KINDS, help_text=_("`entered`: set-points given by a person."))
    outcome = OneOf("ProposalOutcome", OUTCOMES, help_text=_("`refused`: kept as a record, and never to be written."))
    detail = serializers.CharField(help_text=_("The outcome in words: why, and what may be done, for people."))
    justification = serializers.CharField(allow_blank=True)
    from_setpoints = counts()
    to_setpoints = counts(help_text=_("What to write."))
    approval = serializers.UUIDField(allow_null=True)
    content_sha256 = Sha256(help_text=_("What an approval of this proposal covers."))
    changes = Document(Changes)
    predicted = Document(PredictedHeights)
    probability_within = serializers.FloatField(
        allow_null=True, help_text=_("That the next round is judged within; null where nothing can be predicted.")
    )
    expected_writes = serializers.IntegerField(
        min_value=0, help_text=_("Writes expected until the targets are met; 0 where nothing is to be changed.")
    )
    prior = Document(Prior)
    limits = Document(Limit, many=True)
    consequences = Document(Consequences)
    follow_ups = Document(FollowUp, many=True)


class NewConcession(Reasoned):
    """Targets other than the specification's, which the operator has acknowledged."""

    front_target_mm = StrictDecimal(places=2, above=0, maximum=99_999, help_text=_("Target of the front axle, mm."))
    rear_target_mm = StrictDecimal(places=2, above=0, maximum=99_999, help_text=_("Target of the rear axle, mm."))
    acknowledged_by = TrimmedText(max_length=120, help_text=_("Who acknowledged it for the operator."))
    acknowledged_on = PlainDate(help_text=_("Day on which it was acknowledged."))


class ConcessionRecord(RecordedInJob):
    front_target_mm = StrictDecimal(places=2)
    rear_target_mm = StrictDecimal(places=2)
    reason = serializers.CharField()
    acknowledged_by = serializers.CharField()
    acknowledged_on = PlainDate()
    approval = serializers.UUIDField(allow_null=True)


class ReversionRecord(RecordedInJob):
    """The decision to go back, with the set-points that it goes back to."""

    reason = serializers.CharField()
    goal = counts()
