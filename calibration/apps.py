from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class CalibrationConfig(AppConfig):
    name = "calibration"
    verbose_name = _("Calibration")
