from collections.abc import Mapping
from typing import Any

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class CalibrationConfig(AppConfig):
    name = "calibration"
    verbose_name = _("Calibration")

    def ready(self) -> None:
        from fleet.selectors.instruments import register_use_finder
        from fleet.specifications import register_passing_share

        from .selectors.instrument_use import jobs_measured_with

        register_passing_share(passing_share)
        register_use_finder(jobs_measured_with)


def passing_share(content: Mapping[str, Any]) -> float:
    """Share of perfectly true vehicles that a first round would find within tolerance."""
    from .metrology.passing import true_vehicles_passing
    from .selectors.specifications import pure_specification

    return true_vehicles_passing(pure_specification(content))
