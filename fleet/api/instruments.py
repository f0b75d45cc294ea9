"""Instruments, their calibrations and withdrawals."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.utils import OpenApiExample, extend_schema_field
from rest_framework import serializers

from fleet import services
from fleet.actor import Actor
from fleet.models import Instrument, InstrumentCalibration, InstrumentWithdrawal
from fleet.selectors import instruments as selectors

from .choices import Choice
from .fields import AwareDateTime, PlainDate, StrictBoolean, StrictDecimal, TrimmedText
from .inputs import RecordSerializer, RequestBody
from .resources import ResourceViewSet, found


class CalibrationCertificateSerializer(RequestBody):
    """What a calibration certificate states."""

    expanded_uncertainty_mm = StrictDecimal(
        places=3, above=0, maximum=100, help_text=_("Expanded uncertainty over the length used here, mm.")
    )
    coverage_factor = StrictDecimal(
        places=2, minimum=1, maximum=10, help_text=_("Coverage factor k of that uncertainty, usually 2.")
    )


class CalibrationInput(RecordSerializer):
    """A calibration; an instrument without accuracy class needs its certificate."""

    calibrated_on = PlainDate(help_text=_("Day of the calibration."))
    calibration_due_on = PlainDate(help_text=_("Last day on which it counts as calibrated."))
    certificate = CalibrationCertificateSerializer(required=False, help_text=_("Figures of the certificate."))
    certificate_number = TrimmedText(
        max_length=80, allow_blank=True, required=False, help_text=_("Number of the certificate.")
    )


class InstrumentInput(CalibrationInput):
    """An instrument with its present calibration: either an accuracy class or a certificate."""

    serial = TrimmedText(max_length=60, help_text=_("Serial number, or the mark the workshop gave it."))
    kind = Choice(Instrument.Kind.choices, help_text=_("What it is."))
    accuracy_class = Choice(
        Instrument.AccuracyClass.choices,
        required=False,
        help_text=_("Class of Directive 2014/32/EU, Annex X, as printed on it."),
    )
    resolution_mm = StrictDecimal(places=3, above=0, maximum=100, help_text=_("Smallest division read, mm."))
    length_mm = StrictDecimal(places=1, above=0, maximum=100_000, help_text=_("Longest length it measures, mm."))
    hook_end = StrictBoolean(required=False, help_text=_("Whether its zero is a hook that can bend or wear."))


class WithdrawalInput(RecordSerializer):
    """Why an instrument is no longer to be used, and since when it may have been wrong."""

    kind = Choice(InstrumentWithdrawal.Kind.choices, help_text=_("What became of it."))
    since = PlainDate(help_text=_("First day on which it may have been wrong."))
    reason = TrimmedText(max_length=500, help_text=_("What was noticed."))


class CalibrationSerializer(serializers.Serializer[InstrumentCalibration]):
    """A calibration."""

    id = serializers.UUIDField()
    calibrated_on = serializers.DateField()
    calibration_due_on = serializers.DateField(source="due_on")
    certificate_number = serializers.CharField()
    certificate = serializers.SerializerMethodField()
    recorded_at = AwareDateTime()

    @extend_schema_field(CalibrationCertificateSerializer(allow_null=True))
    def get_certificate(self, calibration: InstrumentCalibration) -> dict[str, float] | None:
        return certificate_of(calibration)


class WithdrawalSerializer(serializers.Serializer[InstrumentWithdrawal]):
    """A withdrawal."""

    id = serializers.UUIDField()
    kind = serializers.ChoiceField(InstrumentWithdrawal.Kind.choices)
    since = serializers.DateField()
    reason = serializers.CharField()
    recorded_at = AwareDateTime()


class WithdrawalJobsSerializer(WithdrawalSerializer):
    """A withdrawal, with the jobs measured since the last good calibration."""

    jobs = serializers.SerializerMethodField()

    def get_jobs(self, withdrawal: InstrumentWithdrawal) -> list[dict[str, Any]]:
        return selectors.jobs_in_doubt(self.context["view"].actor, withdrawal)


class InstrumentSerializer(serializers.Serializer[Instrument]):
    """An instrument with the calibration that counts now."""

    id = serializers.UUIDField()
    serial = serializers.CharField()
    kind = serializers.ChoiceField(Instrument.Kind.choices)
    accuracy_class = serializers.SerializerMethodField()
    certificate = serializers.SerializerMethodField()
    resolution_mm = StrictDecimal()
    length_mm = StrictDecimal()
    hook_end = serializers.BooleanField()
    calibrated_on = serializers.DateField(source="latest_calibration.calibrated_on")
    calibration_due_on = serializers.DateField(source="latest_calibration.due_on")
    is_withdrawn = serializers.BooleanField(help_text=_("Whether it must not be measured with any more."))
    created_at = AwareDateTime()

    @extend_schema_field(serializers.ChoiceField(Instrument.AccuracyClass.choices, allow_null=True))
    def get_accuracy_class(self, instrument: Instrument) -> str | None:
        return instrument.accuracy_class or None

    @extend_schema_field(CalibrationCertificateSerializer(allow_null=True))
    def get_certificate(self, instrument: Instrument) -> dict[str, float] | None:
        return certificate_of(instrument.latest_calibration)


def certificate_of(calibration: InstrumentCalibration) -> dict[str, float] | None:
    if calibration.expanded_uncertainty_mm is None or calibration.coverage_factor is None:
        return None
    return {
        "expanded_uncertainty_mm": float(calibration.expanded_uncertainty_mm),
        "coverage_factor": float(calibration.coverage_factor),
    }


class InstrumentViewSet(ResourceViewSet):
    """`/instruments/`"""

    queryset = Instrument.objects.all()
    serializer_class = InstrumentSerializer
    create_serializer_class = InstrumentInput
    ordering = "serial"
    summaries = {
        "list": _("The instruments with which heights are measured."),
        "retrieve": _("One instrument."),
        "create": _("Add an instrument with its present calibration."),
    }
    examples = {
        "create": [
            OpenApiExample(
                "a steel tape",
                {
                    "serial": "T-07",
                    "kind": "tape",
                    "accuracy_class": "II",
                    "resolution_mm": 1,
                    "length_mm": 3000,
                    "calibrated_on": "2026-03-02",
                    "calibration_due_on": "2027-03-02",
                },
                request_only=True,
            )
        ]
    }

    def selector(self, actor: Actor) -> QuerySet[Instrument]:
        return selectors.instruments()

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> Instrument:
        return services.instrument_add(actor=actor, record_id=record_id, **data)


class InstrumentPartViewSet(ResourceViewSet):
    """What belongs to one instrument."""

    def instrument(self) -> Instrument:
        return found(Instrument.objects.all(), self.kwargs["instrument"])


class CalibrationViewSet(InstrumentPartViewSet):
    """`/instruments/{id}/calibrations/`"""

    queryset = InstrumentCalibration.objects.all()
    serializer_class = CalibrationSerializer
    create_serializer_class = CalibrationInput
    ordering = "-calibrated_on"
    summaries = {
        "list": _("The calibrations of an instrument, latest first."),
        "retrieve": _("One calibration of an instrument."),
        "create": _("Record a calibration; it also returns a withdrawn instrument to use."),
    }

    def selector(self, actor: Actor) -> QuerySet[InstrumentCalibration]:
        return self.instrument().calibrations.all()

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> InstrumentCalibration:
        return services.instrument_calibrate(actor=actor, record_id=record_id, instrument=self.instrument(), **data)


class WithdrawalViewSet(InstrumentPartViewSet):
    """`/instruments/{id}/withdrawal/`"""

    queryset = InstrumentWithdrawal.objects.all()
    create_serializer_class = WithdrawalInput
    ordering = "-recorded_at"
    summaries = {
        "list": _("The withdrawals of an instrument, latest first."),
        "retrieve": _("One withdrawal of an instrument."),
        "create": _("Withdraw an instrument; lists the jobs measured since its last good calibration."),
    }

    def get_serializer_class(self) -> type[serializers.BaseSerializer[Any]]:
        return WithdrawalSerializer if self.action == "list" else WithdrawalJobsSerializer

    def selector(self, actor: Actor) -> QuerySet[InstrumentWithdrawal]:
        return self.instrument().withdrawals.all()

    def make(self, actor: Actor, record_id: UUID, data: Mapping[str, Any]) -> InstrumentWithdrawal:
        return services.instrument_withdraw(actor=actor, record_id=record_id, instrument=self.instrument(), **data)
