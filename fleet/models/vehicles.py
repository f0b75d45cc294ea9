"""Operators, vehicle models with their specifications, vehicles and what is fitted to them."""

from __future__ import annotations

from typing import ClassVar

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.vin import north_american_model_year, parse_vin

from .base import RecordModel, TenantModel, VersionedModel


class Operator(VersionedModel):
    """The customer who runs the vehicles."""

    private_fields = ("name", "email", "address", "telephone", "commitment_salt", "version")

    name = models.CharField(_("name"), max_length=120)
    email = models.EmailField(_("e-mail"), blank=True)
    """Empty where documents are handed over on paper."""
    address = models.TextField(_("address"), blank=True, max_length=400)
    telephone = models.CharField(_("telephone"), blank=True, max_length=40)
    commitment_salt = models.BinaryField(max_length=16, editable=False, default=bytes)
    created_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("name", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "name"],
                name="fleet_operator_name",
                violation_error_message=_("There is already an operator with this name."),
            )
        ]

    def __str__(self) -> str:
        return self.name


class VehicleModel(VersionedModel):
    """A make and model over a span of model years."""

    private_fields = ("version",)

    make = models.CharField(_("make"), max_length=60)
    name = models.CharField(_("model"), max_length=80)
    year_from = models.PositiveSmallIntegerField(_("from model year"))
    year_to = models.PositiveSmallIntegerField(_("to model year"), null=True, blank=True)
    created_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("make", "name", "year_from", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "make", "name", "year_from"],
                name="fleet_vehiclemodel_name_and_year",
                violation_error_message=_("This vehicle model is already recorded from this model year."),
            ),
            models.CheckConstraint(
                condition=Q(year_to__isnull=True) | Q(year_to__gte=models.F("year_from")),
                name="fleet_vehiclemodel_years_in_order",
                violation_error_message=_("The last model year must not lie before the first."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.make} {self.name}"


class Specification(RecordModel):
    """One immutable revision of what a vehicle model allows; `content` is the interface's JSON, complete."""

    class SourceKind(models.TextChoices):
        MANUFACTURER = "manufacturer", _("vehicle manufacturer")
        OWN_MEASUREMENTS = "own_measurements", _("own measurements")
        OPERATOR = "operator", _("operator")

    vehicle_model = models.ForeignKey(
        VehicleModel, on_delete=models.PROTECT, db_constraint=False, related_name="specifications"
    )
    revision = models.PositiveIntegerField(editable=False)
    effective_from = models.DateField(_("effective from"))
    source_kind = models.CharField(_("kind of source"), max_length=20, choices=SourceKind)
    source = models.CharField(_("source"), max_length=200)
    content = models.JSONField()
    true_vehicles_passing = models.FloatField()

    class Meta:
        ordering = ("vehicle_model", "-revision")
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle_model", "revision"],
                name="fleet_specification_revision",
                violation_error_message=_("There is already a revision with this number."),
            ),
            models.CheckConstraint(
                condition=~Q(source=""),
                name="fleet_specification_source_stated",
                violation_error_message=_("A specification must state its source."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.vehicle_model} · {self.revision}"


class Vehicle(VersionedModel):
    """One vehicle. The VIN may be corrected; the id stays."""

    private_fields = ("version",)

    vin = models.CharField(_("VIN"), max_length=17)
    registration = models.CharField(_("registration"), max_length=20, blank=True)
    vehicle_model = models.ForeignKey(
        VehicleModel, on_delete=models.PROTECT, db_constraint=False, related_name="vehicles"
    )
    vehicle_model_since = models.DateTimeField(null=True, editable=False)
    """When it was found to be of this model; null where it was recorded as such."""
    model_year = models.PositiveSmallIntegerField(_("model year"), null=True, blank=True)
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, db_constraint=False, related_name="vehicles")
    created_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("created_at", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "vin"],
                name="fleet_vehicle_vin",
                violation_error_message=_("There is already a vehicle with this VIN."),
            ),
            models.CheckConstraint(
                condition=Q(vin__regex=r"^[A-HJ-NPR-Z0-9]{17}$"),
                name="fleet_vehicle_vin_form",
                violation_error_message=_("A VIN has 17 digits and capital letters, without I, O and Q."),
            ),
        ]
        indexes = [
            models.Index(fields=["workshop", "created_at", "id"], name="fleet_vehicle_order"),
            models.Index(fields=["workshop", "registration", "id"], name="fleet_vehicle_registration"),
            models.Index(fields=["operator", "created_at", "id"], name="fleet_vehicle_of_operator"),
        ]

    def __str__(self) -> str:
        return self.vin

    @property
    def notes(self) -> list[dict[str, str]]:
        """What is odd about the VIN, but allowed."""
        found = []
        if not parse_vin(self.vin).check_digit_is_right:
            detail = str(_("Position 9 of the VIN is no check digit, which is usual outside North America."))
            found.append({"code": "check_digit_differs", "severity": "note", "detail": detail})
        year = north_american_model_year(self.vin)
        if year is not None and self.model_year not in (None, year):
            detail = str(_("Position 10 of the VIN stands for the model year %(year)s.") % {"year": year})
            found.append({"code": "model_year_differs", "severity": "note", "detail": detail})
        return found


class VinCorrection(RecordModel):
    """A mistyped VIN that still resolves to its vehicle."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="corrections")
    previous_vin = models.CharField(max_length=17)
    vin = models.CharField(max_length=17)
    reason = models.CharField(max_length=500)

    class Meta:
        ordering = ("recorded_at", "id")
        indexes = [models.Index(fields=["workshop", "previous_vin"], name="fleet_vincorrection_previous")]


class Tenure(TenantModel):
    """The time for which a vehicle was an operator's: what a contact may see of it."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="tenures")
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, db_constraint=False, related_name="tenures")
    began_at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ("began_at", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["vehicle"],
                condition=Q(ended_at__isnull=True),
                name="fleet_tenure_one_current",
                violation_error_message=_("A vehicle belongs to one operator at a time."),
            ),
        ]
        indexes = [models.Index(fields=["operator", "vehicle"], name="fleet_tenure_of_operator")]


class Fitment(RecordModel):
    """The tyres on a vehicle from a date on; `tyres` is the interface's corner map."""

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="fitments")
    fitted_on = models.DateField(_("fitted on"))
    odometer_km = models.DecimalField(_("odometer"), max_digits=9, decimal_places=1, null=True, blank=True)
    tyres = models.JSONField()
    specification = models.ForeignKey(
        Specification, null=True, on_delete=models.PROTECT, db_constraint=False, related_name="+"
    )
    """The revision that the tyres were compared with; none where the model had none."""
    findings = models.JSONField(default=list)

    class Meta:
        ordering = ("-fitted_on", "-recorded_at", "id")
        indexes = [models.Index(fields=["vehicle", "-fitted_on", "-recorded_at"], name="fleet_fitment_latest")]


class ServiceEvent(RecordModel):
    """Something done to the vehicle that bears on its height."""

    class Kind(models.TextChoices):
        SENSOR_REPLACED = "sensor_replaced", _("height sensor replaced")
        CONTROL_UNIT_REPLACED = "control_unit_replaced", _("control unit replaced")
        SPRING_REPLACED = "spring_replaced", _("spring replaced")
        DAMPER_REPLACED = "damper_replaced", _("damper replaced")
        LINKAGE_REPAIRED = "linkage_repaired", _("linkage repaired")
        LEAK_REPAIRED = "leak_repaired", _("leak repaired")
        ALIGNMENT = "alignment", _("wheel alignment")
        COLLISION = "collision", _("collision")
        OTHER = "other", _("other")

    vehicle = models.ForeignKey(Vehicle, on_delete=models.PROTECT, db_constraint=False, related_name="events")
    kind = models.CharField(_("kind"), max_length=24, choices=Kind)
    corner = models.CharField(_("corner"), max_length=2, blank=True)
    happened_at = models.DateTimeField(_("happened at"))
    note = models.CharField(_("note"), max_length=1000, blank=True)
    findings = models.JSONField(default=list)

    class Meta:
        ordering = ("happened_at", "id")
        indexes = [models.Index(fields=["vehicle", "happened_at", "id"], name="fleet_event_order")]
        constraints = [
            models.CheckConstraint(
                condition=Q(corner__in=["", "FL", "FR", "RL", "RR"]),
                name="fleet_event_known_corner",
                violation_error_message=_("A corner is one of FL, FR, RL, RR."),
            ),
        ]

    EVENTS_OF_ONE_CORNER: ClassVar[frozenset[str]] = frozenset(
        {
            Kind.SENSOR_REPLACED,
            Kind.SPRING_REPLACED,
            Kind.DAMPER_REPLACED,
            Kind.LINKAGE_REPAIRED,
            Kind.LEAK_REPAIRED,
        }
    )
    EVENTS_OF_NO_CORNER: ClassVar[frozenset[str]] = frozenset({Kind.CONTROL_UNIT_REPLACED, Kind.ALIGNMENT})
