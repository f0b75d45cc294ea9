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


class BeforeAfter(serializers.Serializer[Any]):
    """A figure before and after the change, in the unit that its name ends with."""

    before = serializers.FloatField(help_text=_("Before the change, in the unit of the member's name."))
    after = serializers.FloatField(help_text=_("After the change, in the unit of the member's name."))


def _before_after(help_text: Any) -> BeforeAfter:
    return BeforeAfter(required=False, allow_null=True, help_text=help_text)


class Consequences(serializers.Serializer[Any]):
    """What the change does to the vehicle, heights as predicted; figures, never a verdict. Empty where nothing can be
    predicted."""

    heave_change_mm = serializers.FloatField(
        required=False, help_text=_("Of the mean of the four heights, mm; positive upwards.")
    )
    pitch_change_mm = serializers.FloatField(
        required=False, help_text=_("Of the front heights' mean less the rear heights', mm; positive nose up.")
    )
    roll_change_mm = serializers.FloatField(
        required=False, help_text=_("Of left less right, mean of both axles, mm; positive left up.")
    )
    warp_change_mm = serializers.FloatField(
        required=False, help_text=_("Of half of front left less right less that of the rear, mm.")
    )
    ground_clearance_change_mm = serializers.FloatField(
        required=False, help_text=_("Of the body's height above ground midway between the axles, mm.")
    )
    headlamp_inclination_change_pct = serializers.FloatField(
        required=False,
        help_text=_("Of the headlamps' beams and of all that looks ahead, %; positive upwards. Check local rules."),
    )
    ground_clearance_mm = _before_after(
        _("Least height of the body above ground, mm; null unless the specification gives it.")
    )
    headlamp_height_mm = _before_after(
        _("Headlamps above ground, mm; null unless the specification gives their height.")
    )
    headlamp_inclination_pct = _before_after(
        _("Of lamps that were aimed as specified before, %; null unless the specification gives their inclination.")
    )
    static_stability_factor = _before_after(
        _(
            "Mean track over twice the height of the centre of gravity, a ratio; the lower, the sooner the vehicle "
            "tips. Null unless the specification gives that height."
        )
    )
    approach_deg = _before_after(
        _(
            "Approach angle, degrees, at least: the body's least height stands for that of its end, the tyre's free "
            "radius for its loaded one. Null unless the specification gives ground clearance, front overhang and "
            "reference tyre."
        )
    )
    departure_deg = _before_after(
        _(
            "Departure angle, degrees, likewise. Null unless the specification gives ground clearance, rear overhang "
            "and reference tyre."
        )
    )
    breakover_deg = _before_after(
        _("Ramp breakover angle, degrees. Null unless the specification gives ground clearance and reference tyre.")
    )


class FollowUp(serializers.Serializer[Any]):
    """Work that should follow the change."""

    code = serializers.CharField(
        help_text=_("What to check; a stable code: `headlamp_aim`, `wheel_alignment`, `driver_assistance`.")
    )
    detail = serializers.CharField(help_text=_("The same in words, for people."))


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
