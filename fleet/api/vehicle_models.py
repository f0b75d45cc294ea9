"""Vehicle models and the revisions of their specifications."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from decimal import Decimal
from typing import Any, Final
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiExample
from rest_framework import serializers

from fleet import services
from fleet.actor import Actor
from fleet.models import Specification, VehicleModel
from fleet.specifications import CORNERS, OWN_COLUMNS, READINESS_ITEMS, SETPOINT_KINDS

from .choices import Choice, ListOf
from .examples import SPECIFICATION
from .fields import AwareDateTime, PlainDate, SetPoint, StrictDecimal, StrictInteger, TrimmedText, TyreSizeField
from .inputs import FindingSerializer, RecordSerializer, RequestBody, VersionNumber
from .resources import ChangeableViewSet, ResourceViewSet, found

ENOUGH_PASSING: Final = 0.8


def positive_mm(maximum: int = 20_000, **options: Any) -> StrictDecimal:
    return StrictDecimal(places=3, above=0, maximum=maximum, **options)


OPTIONAL: Final[dict[str, Any]] = {"required": False, "allow_null": True}


class VehicleModelFields(RequestBody):
    """A make and model over a span of model years."""

    make = TrimmedText(max_length=60, help_text=_("Who makes it."))
    name = TrimmedText(max_length=80, help_text=_("The model, as the maker calls it."))
    year_from = StrictInteger(min_value=1900, max_value=2100, help_text=_("First model year."))
    year_to = StrictInteger(
        min_value=1900, max_value=2100, help_text=_("Last model year; null while it is made."), **OPTIONAL
    )


class VehicleModelInput(RecordSerializer, VehicleModelFields):
    """A new vehicle model."""


class VehicleModelSerializer(VehicleModelFields):
    """A vehicle model."""

    id = serializers.UUIDField()
    created_at = AwareDateTime()
    version = VersionNumber()


class AxleSerializer(RequestBody):
    """One axle; without control unit only target and tolerance."""

    target_mm = positive_mm(5000, help_text=_("Height to set, hub centre to wheel arch, mm."))
    tolerance_mm = positive_mm(5000, help_text=_("Permitted deviation from the target to either side, mm."))
    setpoint_low = SetPoint(help_text=_("Lower end of the band of set-points, counts."), **OPTIONAL)
    setpoint_high = SetPoint(help_text=_("Upper end of the band of set-points, counts."), **OPTIONAL)
    response_mm_per_count = StrictDecimal(
        places=6, minimum=-1000, maximum=1000, help_text=_("Millimetres of height per count, signed."), **OPTIONAL
    )
    response_sd = StrictDecimal(
        places=6,
        above=0,
        maximum=1000,
        help_text=_("Standard deviation of the response from vehicle to vehicle, mm per count."),
        **OPTIONAL,
    )
    axle_load_kg = StrictDecimal(
        places=1, above=0, maximum=100_000, help_text=_("Permitted load of the axle, kg."), **OPTIONAL
    )


class SpecificationContent(RequestBody):
    """What a vehicle model allows."""

    effective_from = PlainDate(
        help_text=_("Jobs opened and heights checked from this day on are judged by it, unless they are already.")
    )
    source_kind = Choice(Specification.SourceKind.choices, help_text=_("Whose figures these are."))
    source = TrimmedText(  # type: ignore[assignment]  # the interface's name
        max_length=200, help_text=_("Where the figures stand: document, issue, page.")
    )
    measuring_condition = TrimmedText(
        max_length=200, help_text=_("State of the vehicle when it is measured: load, fuel, equipment.")
    )
    wheelbase_mm = positive_mm(help_text=_("Distance between the axles, mm."))
    track_front_mm = positive_mm(help_text=_("Distance between the front wheels' centres, mm."))
    track_rear_mm = positive_mm(help_text=_("Distance between the rear wheels' centres, mm."))
    setpoint_min = SetPoint(help_text=_("Least set-point that the control unit can store, counts."))
    setpoint_max = SetPoint(help_text=_("Greatest set-point that the control unit can store, counts."))
    setpoint_kind = Choice(
        SETPOINT_KINDS, help_text=_("Whether the control unit stores set-points as such or as offsets.")
    )
    front = AxleSerializer(help_text=_("The front axle."))
    rear = AxleSerializer(help_text=_("The rear axle."))
    side_difference_max_mm = positive_mm(
        5000, help_text=_("Permitted difference between left and right of an axle, mm.")
    )
    step_max_counts = StrictInteger(min_value=1, help_text=_("Largest change of a set-point in one write, counts."))
    shift_review_counts = StrictInteger(
        min_value=1, help_text=_("Distance from the baseline beyond which another person must approve, counts.")
    )
    shift_limit_counts = StrictInteger(
        min_value=1, help_text=_("Distance from the baseline that is never exceeded, counts.")
    )
    settling_mm = StrictDecimal(
        places=3,
        minimum=0,
        maximum=1000,
        help_text=_("Half-width of the band in which the settled height comes back after a movement, mm."),
    )
    leak_limit_mm_per_h = StrictDecimal(
        places=3, above=0, maximum=1000, help_text=_("Greatest permitted sinking at rest, mm per hour."), **OPTIONAL
    )
    air_column_mm = positive_mm(
        5000, help_text=_("Effective height of the air spring's column, mm; for correction by temperature."), **OPTIONAL
    )
    check_interval_months = StrictInteger(
        min_value=1, max_value=120, help_text=_("Longest time between height checks, months."), **OPTIONAL
    )
    check_interval_km = StrictInteger(
        min_value=1, max_value=1_000_000, help_text=_("Longest distance between height checks, km."), **OPTIONAL
    )
    warp_max_mm = positive_mm(
        1000, required=False, help_text=_("Warp above which a finding informs, mm; 6 if left out.")
    )
    warp_change_max_mm = positive_mm(
        1000, required=False, help_text=_("Largest change of warp by one proposal, mm; 20 if left out.")
    )
    readiness_not_applicable = ListOf(
        child=Choice(READINESS_ITEMS),
        required=False,
        max_length=len(READINESS_ITEMS),
        help_text=_("Readiness checks that this model does not have."),
    )
    reference_tyre = TyreSizeField(size_alone=True, help_text=_("Tyre size with which the targets hold."), **OPTIONAL)
    allowed_tyres = ListOf(
        child=TyreSizeField(size_alone=True),
        required=False,
        max_length=50,
        help_text=_(
            "Tyre sizes that may be fitted; empty: nothing is said about tyres. A load index and speed symbol behind a "
            "size are left off."
        ),
    )
    headlamp_height_mm = positive_mm(
        5000, help_text=_("Height of the dipped-beam headlamps above ground, mm."), **OPTIONAL
    )
    headlamp_inclination_pct = StrictDecimal(
        places=3,
        minimum=-10,
        maximum=10,
        help_text=_("Inclination of the dipped beam, %; negative: downwards."),
        **OPTIONAL,
    )
    cg_height_mm = positive_mm(5000, help_text=_("Height of the centre of gravity above ground, mm."), **OPTIONAL)
    front_overhang_mm = positive_mm(help_text=_("From the front axle to the foremost point, mm."), **OPTIONAL)
    rear_overhang_mm = positive_mm(help_text=_("From the rear axle to the rearmost point, mm."), **OPTIONAL)
    ground_clearance_mm = positive_mm(5000, help_text=_("Least height of the body above ground, mm."), **OPTIONAL)
    controlled_corners = ListOf(
        child=Choice(CORNERS),
        required=False,
        max_length=len(CORNERS),
        help_text=_("Corners whose height the control unit sets; all four if left out."),
    )
    linked_corners = ListOf(
        child=ListOf(child=Choice(CORNERS), min_length=2, max_length=2),
        required=False,
        max_length=2,
        help_text=_("Pairs of corners of one axle that share a set-point."),
    )


class SpecificationInput(SpecificationContent, RecordSerializer):
    """The next revision; revisions are never edited."""


class SpecificationSerializer(SpecificationContent):
    """A revision, complete: what was left out has its default or null."""

    id = serializers.UUIDField()
    vehicle_model = serializers.UUIDField()
    revision = serializers.IntegerField(help_text=_("Counted for each model; a revision never changes."))
    true_vehicles_passing = serializers.FloatField(
        help_text=_("Share of vehicles exactly on target that would be judged within at their first round.")
    )
    findings = FindingSerializer(many=True)
    recorded_at = AwareDateTime()

    def to_representation(self, instance: Specification) -> dict[str, Any]:
        columns = {name: getattr(instance, name) for name in OWN_COLUMNS}
        return super().to_representation({
            **instance.content,
            **columns,
            "id": instance.pk,
            "vehicle_model": instance.vehicle_model_id,
            "revision": instance.revision,
            "true_vehicles_passing": instance.true_vehicles_passing,
            "findings": few_passing(instance.true_vehicles_passing),
            "recorded_at": instance.recorded_at,
        })  # fmt: skip


def few_passing(share: float) -> list[dict[str, str]]:
    """A note where fewer than four of five true vehicles would pass."""
    if share >= ENOUGH_PASSING:
        return []
    detail = _(
        "Only %(percent)s %% of vehicles that really stand on target would pass at their first round: "
        "the tolerances are tight for a tape. Consider a better instrument, or more rounds."
    ) % {"percent": Decimal(share * 100).quantize(Decimal(1))}
    return [{"code": "few_true_vehicles_pass", "severity": "note", "detail": str(detail)}]


class VehicleModelViewSet(ChangeableViewSet):
    """`/vehicle-models/`"""

    queryset = VehicleModel.objects.all()
    serializer_class = VehicleModelSerializer
    create_serializer_class = VehicleModelInput
    update_serializer_class = VehicleModelFields
    ordering = "make"
    ordering_fields = ("name",)
    summaries = {
        "list": _("The vehicle models."),
        "retrieve": _("One vehicle model."),
        "create": _("Add a vehicle model."),
        "partial_update": _("Change a vehicle model."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "a model",
                {"make": "Brae", "name": "Fell 4", "year_from": 2022, "year_to": 2027},
                request_only=True,
            )
        ]
    }

    def selector(self, actor: Actor) -> QuerySet[VehicleModel]:
        return VehicleModel.objects.all()

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> VehicleModel:
        return services.vehicle_model_add(actor=actor, record_id=record_id, **data)

    def change(self, actor: Actor, record_id: UUID, expected: Collection[int], changes: Mapping[str, Any]) -> object:
        return services.vehicle_model_update(
            actor=actor, vehicle_model_id=record_id, expected_versions=expected, changes=changes
        )


class SpecificationViewSet(ResourceViewSet):
    """`/vehicle-models/{id}/specifications/`"""

    queryset = Specification.objects.all()
    serializer_class = SpecificationSerializer
    create_serializer_class = SpecificationInput
    ordering = "-revision"
    summaries = {
        "list": _("The revisions of a model's specification, latest first."),
        "retrieve": _("One revision of a specification."),
        "create": _("Record the next revision of a specification; says how many true vehicles would pass."),
    }
    examples = {"create": [OpenApiExample("a car with air suspension", SPECIFICATION, request_only=True)]}

    def vehicle_model(self) -> VehicleModel:
        return found(VehicleModel.objects.all(), self.kwargs["vehicle_model"])

    def selector(self, actor: Actor) -> QuerySet[Specification]:
        return self.vehicle_model().specifications.all()

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> Specification:
        return services.specification_add(
            actor=actor, record_id=record_id, vehicle_model=self.vehicle_model(), specification=data
        )
