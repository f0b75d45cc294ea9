"""Addresses of the pages of decisions."""

from django.urls import path

from .approvals import ApprovalView, WaitingView
from .check_readings import HeightCheckView, StrikeCheckReadingView
from .height_checks import RecordHeightCheckView
from .measurements import MeasurementsView
from .outbox_import import OutboxFileView, OutboxImportView
from .rulings import FindingView

urlpatterns = [
    path("approvals/", WaitingView.as_view(), name="approvals_page"),
    path("approvals/<uuid:record_id>/", ApprovalView.as_view(), name="approval_page"),
    path("findings/<uuid:record_id>/", FindingView.as_view(), name="finding_page"),
    path("measurements/", MeasurementsView.as_view(), name="measurements_page"),
    path("vehicles/<str:vin>/checks/new/", RecordHeightCheckView.as_view(), name="height_check_new"),
    path("checks/<uuid:check_id>/", HeightCheckView.as_view(), name="height_check_page"),
    path(
        "check-readings/<uuid:reading_id>/strike/", StrikeCheckReadingView.as_view(), name="check_reading_strike_page"
    ),
    path("tablets/import/", OutboxImportView.as_view(), name="outbox_import_page"),
    path("tablets/import/<uuid:file_id>/", OutboxFileView.as_view(), name="outbox_file_page"),
]
