"""The assessment as it is stored: these classes describe it and read nothing."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from fleet.api.fields import CornerMap

from ..fields import OneOf, corner, severity

VERDICTS = ("within", "outside", "undecided")


class BudgetComponent(serializers.Serializer[Any]):
    component = serializers.CharField(help_text=_("What it comes from; a stable code."))
    standard_uncertainty_mm = serializers.FloatField(help_text=_("Its share, as a standard uncertainty."))
    degrees_of_freedom = serializers.IntegerField(allow_null=True, help_text=_("Null: infinite."))


class Judged(serializers.Serializer[Any]):
    """A value with its uncertainty (JCGM 100) and verdict (JCGM 106, guard band U)."""

    standard_uncertainty_mm = serializers.FloatField(help_text=_("Combined, of the value."))
    degrees_of_freedom = serializers.IntegerField(allow_null=True, help_text=_("Effective; null: infinite."))
    coverage_factor = serializers.FloatField(help_text=_("Expanded uncertainty divided by standard uncertainty."))
    expanded_uncertainty_mm = serializers.FloatField(help_text=_("Two-sided, 95 %."))
    verdict = OneOf(
        "Verdict", VERDICTS, help_text=_("`undecided`: the uncertainty reaches over the limit, so neither can be said.")
    )
    significant = serializers.BooleanField(help_text=_("Whether it is off by more than its expanded uncertainty."))
    adjustable = serializers.BooleanField(help_text=_("Whether set-points can change it; if not, it decides nothing."))
    budget = BudgetComponent(many=True, help_text=_("What the standard uncertainty is made of."))


class CornerVerdict(Judged):
    mean_mm = serializers.FloatField(help_text=_("The height, pooled from the rounds that count."))
    target_mm = serializers.FloatField(help_text=_("The specification's, or the concession's in force."))
    deviation_mm = serializers.FloatField(help_text=_("Height minus target."))
    tolerance_mm = serializers.FloatField(help_text=_("Permitted deviation to either side."))
    readings = serializers.IntegerField(help_text=_("How many readings count at this corner."))
    rounds = serializers.IntegerField(help_text=_("How many rounds they come from."))
    estimator = OneOf("Estimator", ("mean", "median"), help_text=_("`median`: readings disagreed and were repeated."))
    conformance_probability = serializers.FloatField(
        min_value=0, max_value=1, help_text=_("That the true height is within tolerance (JCGM 106).")
    )
    freed = serializers.BooleanField(help_text=_("Whether a proposal may move this corner."))
    read_again = serializers.IntegerField(help_text=_("Further readings wanted at this corner."))


class SideVerdict(Judged):
    difference_mm = serializers.FloatField(help_text=_("Left minus right."))
    limit_mm = serializers.FloatField(help_text=_("Permitted difference to either side."))


class Sides(serializers.Serializer[Any]):
    front = SideVerdict()
    rear = SideVerdict()


class Modes(serializers.Serializer[Any]):
    """The four deviations as movements of the body."""

    heave_mm = serializers.FloatField(help_text=_("Mean of the four deviations."))
    pitch_mm = serializers.FloatField(help_text=_("Front mean minus rear mean."))
    roll_mm = serializers.FloatField(help_text=_("Mean of front and rear, each left minus right."))
    warp_mm = serializers.FloatField(help_text=_("Half of front left minus right less rear left minus right."))
    warp_expanded_uncertainty_mm = serializers.FloatField()


class Floor(serializers.Serializer[Any]):
    """What the bay's floor alone would cause."""

    warp_mm = serializers.FloatField()
    longitudinal_slope = serializers.FloatField(help_text=_("Rise per length; positive: front pads higher."))
    lateral_slope = serializers.FloatField(help_text=_("Rise per length; positive: left pads higher."))
    level = serializers.BooleanField(help_text=_("Whether the floor is level enough to be left out of account."))


class AssessmentFinding(serializers.Serializer[Any]):
    code = serializers.CharField(help_text=_("Stable slug to act on."))
    corner = corner(allow_null=True)
    severity = severity()
    detail = serializers.CharField(help_text=_("What it is and what to do, for people."))


class AssessmentDocument(serializers.Serializer[Any]):
    """The verdict on the pool of rounds that counted when it was made."""

    rounds = serializers.ListField(child=serializers.UUIDField(), help_text=_("The rounds that count, in order."))
    verdict = OneOf("Verdict", VERDICTS, help_text=_("Over all adjustable corners and sides."))
    corners = CornerMap(CornerVerdict())
    sides = Sides()
    modes = Modes()
    rounds_to_decide = serializers.IntegerField(
        allow_null=True,
        help_text=_("Further rounds expected to decide what is undecided; null where a few more would not."),
    )
    floor = Floor(required=False)
    findings = AssessmentFinding(many=True)
