from collections.abc import Mapping
from typing import Any

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class CalibrationConfig(AppConfig):
    name = "calibration"
    verbose_name = _("Calibration")

    def ready(self) -> None:
        from fleet.selectors.instruments import register_use_finder
        from fleet.selectors.repeatability import register_repeatability_finder
        from fleet.selectors.set_up import register_job_counter
        from fleet.services.vehicle_facts import register_open_job_finder
        from fleet.specifications import register_passing_share

        from .selectors.instrument_use import jobs_measured_with
        from .selectors.job_counts import job_counts
        from .selectors.open_jobs import open_job_since
        from .selectors.repeatability import known_repeatability

        register_passing_share(passing_share)
        register_use_finder(jobs_measured_with)
        register_open_job_finder(open_job_since)
        register_job_counter(job_counts)
        register_repeatability_finder(known_repeatability)


def passing_share(content: Mapping[str, Any]) -> float:
    """Share of perfectly true vehicles that a first round would find within tolerance."""
    from .metrology.passing import true_vehicles_passing
    from .selectors.specifications import pure_specification

    return true_vehicles_passing(pure_specification(content))
