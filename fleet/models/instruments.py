"""What heights are measured with, and where."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from .base import RecordModel, VersionedModel


class Instrument(VersionedModel):
    """A tape, rule or laser. Its accuracy comes from its class or from its latest certificate."""

    private_fields = ("version",)

    class Kind(models.TextChoices):
        TAPE = "tape", _("tape")
        RULE = "rule", _("rule")
        LASER = "laser", _("laser")

    class AccuracyClass(models.TextChoices):
        I = "I", "I"  # noqa: E741  (the standard's name)
        II = "II", "II"
        III = "III", "III"

    serial = models.CharField(_("serial number"), max_length=60)
    kind = models.CharField(_("kind"), max_length=5, choices=Kind)
    accuracy_class = models.CharField(_("accuracy class"), max_length=3, choices=AccuracyClass, blank=True)
    resolution_mm = models.DecimalField(_("resolution"), max_digits=6, decimal_places=3)
    length_mm = models.DecimalField(_("length"), max_digits=8, decimal_places=1)
    hook_end = models.BooleanField(_("hook or butt end"), default=False)
    created_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("serial", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "serial"],
                name="fleet_instrument_serial",
                violation_error_message=_(
                    "An instrument with this serial number is already recorded. Look it up instead of adding it again."
                ),
            ),
            models.CheckConstraint(
                condition=Q(resolution_mm__gt=0) & Q(length_mm__gt=0),
                name="fleet_instrument_positive",
                violation_error_message=_("Resolution and length of an instrument must be greater than zero."),
            ),
        ]

    def __str__(self) -> str:
        return self.serial

    @property
    def latest_calibration(self) -> InstrumentCalibration:
        """The calibration that counts now; every instrument is recorded with one."""
        return max(self.calibrations.all(), key=lambda c: (c.calibrated_on, c.recorded_at, c.pk))

    @property
    def is_withdrawn(self) -> bool:
        """Withdrawn and not calibrated again since."""
        since = max((w.recorded_at for w in self.withdrawals.all()), default=None)
        return since is not None and all(c.recorded_at <= since for c in self.calibrations.all())


class InstrumentCalibration(RecordModel):
    """One calibration of an instrument; the latest one counts."""

    instrument = models.ForeignKey(
        Instrument, on_delete=models.PROTECT, db_constraint=False, related_name="calibrations"
    )
    calibrated_on = models.DateField(_("calibrated on"))
    due_on = models.DateField(_("calibration due on"))
    certificate_number = models.CharField(_("certificate number"), max_length=80, blank=True)
    expanded_uncertainty_mm = models.DecimalField(max_digits=6, decimal_places=3, null=True, blank=True)
    coverage_factor = models.DecimalField(max_digits=4, decimal_places=2, null=True, blank=True)

    class Meta:
        ordering = ("-calibrated_on", "-recorded_at", "id")
        constraints = [
            models.CheckConstraint(
                condition=Q(due_on__gt=models.F("calibrated_on")),
                name="fleet_calibration_due_after",
                violation_error_message=_("The next calibration must be due after the day of this one."),
            ),
            models.CheckConstraint(
                condition=Q(expanded_uncertainty_mm__isnull=True, coverage_factor__isnull=True)
                | Q(
                    expanded_uncertainty_mm__isnull=False,
                    expanded_uncertainty_mm__gt=0,
                    coverage_factor__isnull=False,
                    coverage_factor__gte=1,
                ),
                name="fleet_calibration_uncertainty_whole",
                violation_error_message=_(
                    "A certificate states an uncertainty above zero together with a coverage factor of at least 1."
                ),
            ),
        ]


class InstrumentWithdrawal(RecordModel):
    """Lost, damaged, or found out of calibration since a date."""

    class Kind(models.TextChoices):
        LOST = "lost", _("lost")
        DAMAGED = "damaged", _("damaged")
        FOUND_OUT = "found_out", _("found out of calibration")

    instrument = models.ForeignKey(
        Instrument, on_delete=models.PROTECT, db_constraint=False, related_name="withdrawals"
    )
    kind = models.CharField(_("kind"), max_length=9, choices=Kind)
    since = models.DateField(_("since"))
    reason = models.CharField(_("reason"), max_length=500)

    class Meta:
        ordering = ("-recorded_at", "id")


class Bay(VersionedModel):
    """A measuring place with the survey of its floor; levels never correct a height."""

    private_fields = ("version",)

    name = models.CharField(_("name"), max_length=80)
    surveyed_on = models.DateField(_("surveyed on"))
    pad_levels_mm = models.JSONField(_("levels of the wheel pads"))
    created_at = models.DateTimeField(editable=False)

    class Meta:
        ordering = ("name", "id")
        constraints = [
            models.UniqueConstraint(
                fields=["workshop", "name"],
                name="fleet_bay_name",
                violation_error_message=_("There is already a bay with this name."),
            )
        ]

    def __str__(self) -> str:
        return self.name
