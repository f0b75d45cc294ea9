"""The work's rows in the deployer's admin: to look at, never to change."""

from __future__ import annotations

from django.apps import apps

from fleet.admin import ReadOnlyAdmin, site

from .models import (
    BaselineReset,
    DriftRatePrior,
    DriftSeries,
    DriftState,
    HeightCheck,
    HeightCheckPhoto,
    HeightCheckReading,
    HeightCheckStrike,
    Job,
    JobRecordModel,
    Reading,
    ReadingStrike,
    RepeatabilitySums,
    ResponsePosterior,
)


class JobAdmin(ReadOnlyAdmin):
    list_display = ("number", "vehicle", "state", "reason", "opened_at", "closed_at")
    list_filter = ("state", "reason")
    search_fields = ("vehicle__vin",)
    list_select_related = ("vehicle",)


class JobRecordAdmin(ReadOnlyAdmin):
    """Facts of jobs, newest first."""

    list_display = ("id", "job_id", "recorded_at", "recorded_by")
    ordering = ("-recorded_at",)


class RecordAdmin(ReadOnlyAdmin):
    """Facts that are about something else than a job."""

    list_display = ("id", "recorded_at", "recorded_by")
    ordering = ("-recorded_at",)


site.register(Job, JobAdmin)
site.register(
    [model for model in apps.get_app_config("calibration").get_models() if issubclass(model, JobRecordModel)],
    JobRecordAdmin,
)
site.register(
    [
        BaselineReset,
        DriftRatePrior,
        HeightCheck,
        HeightCheckPhoto,
        HeightCheckReading,
        HeightCheckStrike,
        Reading,
        ReadingStrike,
    ],
    RecordAdmin,
)
site.register([DriftSeries, DriftState, RepeatabilitySums, ResponsePosterior], ReadOnlyAdmin)
