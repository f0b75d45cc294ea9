"""The assessment as it is stored: these classes describe it and read nothing."""

from __future__ import annotations

from typing import Any

from django.utils.translation import gettext_lazy as _
from rest_framework import serializers

from fleet.api.fields import CornerMap

from ..fields import OneOf
from .common import corner, severity

VERDICTS = ("within", "outside", "undecided")


class BudgetComponent(serializers.Serializer[Any]):
    component = serializers.CharField()
    standard_uncertainty_mm = serializers.FloatField()
    degrees_of_freedom = serializers.IntegerField(allow_null=True, help_text=_("Null: infinite."))


class Judged(serializers.Serializer[Any]):
    """A value with its uncertainty (JCGM 100) and verdict (JCGM 106, guard band U)."""

    standard_uncertainty_mm = serializers.FloatField()
    degrees_of_freedom = serializers.IntegerField(allow_null=True, help_text=_("Effective; null: infinite."))
    coverage_factor = serializers.FloatField()
    expanded_uncertainty_mm = serializers.FloatField(help_text=_("Two-sided, 95 %."))
    verdict = OneOf("Verdict", VERDICTS)
    significant = serializers.BooleanField()
    adjustable = serializers.BooleanField()
    budget = BudgetComponent(many=True)


class CornerVerdict(Judged):
    mean_mm = serializers.FloatField()
    target_mm = serializers.FloatField()
    deviation_mm = serializers.FloatField()
    tolerance_mm = serializers.FloatField()
    readings = serializers.IntegerField()
    rounds = serializers.IntegerField()
    estimator = OneOf("Estimator", ("mean", "median"))
    conformance_probability = serializers.FloatField(min_value=0, max_value=1)
    freed = serializers.BooleanField(help_text=_("Whether a proposal may move this corner."))
    read_again = serializers.IntegerField(help_text=_("Further readings wanted at this corner."))


class SideVerdict(Judged):
    difference_mm = serializers.FloatField(help_text=_("Left minus right."))
    limit_mm = serializers.FloatField()


class Sides(serializers.Serializer[Any]):
    front = SideVerdict()
    rear = SideVerdict()


class Modes(serializers.Serializer[Any]):
    heave_mm = serializers.FloatField()
    pitch_mm = serializers.FloatField()
    roll_mm = serializers.FloatField()
    warp_mm = serializers.FloatField()
    warp_expanded_uncertainty_mm = serializers.FloatField()


class Floor(serializers.Serializer[Any]):
    """What the bay's floor alone would cause."""

    warp_mm = serializers.FloatField()
    longitudinal_slope = serializers.FloatField()
    lateral_slope = serializers.FloatField()
    level = serializers.BooleanField()


class AssessmentFinding(serializers.Serializer[Any]):
    code = serializers.CharField()
    corner = corner(allow_null=True)
    severity = severity()
    detail = serializers.CharField()


class AssessmentDocument(serializers.Serializer[Any]):
    """The verdict on the pool of rounds that counted when it was made."""

    rounds = serializers.ListField(child=serializers.UUIDField())
    verdict = OneOf("Verdict", VERDICTS)
    corners = CornerMap(CornerVerdict())
    sides = Sides()
    modes = Modes()
    rounds_to_decide = serializers.IntegerField(allow_null=True)
    floor = Floor(required=False)
    findings = AssessmentFinding(many=True)
