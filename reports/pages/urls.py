"""Addresses of the pages that show all of the work, and of the one that needs no sign-in."""

from django.urls import path

from .alerts import AlertsView, AlertView
from .archives import ArchivesView, CancelArchiveView, ExportFileView, ExportsView
from .calendar import CalendarFileView, OwnCalendarView, WithdrawCalendarView
from .certificates import CertificatePdfView, CertificatesView, CertificateView, SendAgainView
from .due import DueView
from .head_conflicts import HeadConflictsView, HeadConflictView
from .imports import (
    CancelImportView,
    CarryOutView,
    ImportColumnsView,
    ImportErrorsView,
    ImportExampleView,
    ImportsView,
    ImportView,
    NewImportView,
)
from .job import JobView
from .notices import OwnNoticesView, StopNoticeView
from .operator_summary import OperatorSummaryPdfView, OperatorSummaryView
from .parked_work import ParkedWorkView, RetryView
from .record_schema import certificate_schema, certificate_script
from .response import ResponseView
from .today import TodayView
from .vehicle import VehicleView
from .vehicles import VehiclesView
from .verify import AskView, CodeView
from .webhooks import (
    EndWebhookView,
    NewWebhookView,
    ReplayView,
    RotateSecretView,
    WebhooksView,
    WebhookView,
)
from .worksheet import EmptyWorksheetView, JobWorksheetView, VehicleWorksheetView

urlpatterns = [
    path("", TodayView.as_view(), name="today"),
    path("vehicles/", VehiclesView.as_view(), name="vehicles_page"),
    path("vehicles/<str:vin>/", VehicleView.as_view(), name="vehicle_page"),
    path("vehicles/<str:vin>/worksheet/", VehicleWorksheetView.as_view(), name="vehicle_worksheet_page"),
    path("jobs/<uuid:job_id>/", JobView.as_view(), name="job_page"),
    path("jobs/<uuid:job_id>/worksheet/", JobWorksheetView.as_view(), name="job_worksheet_page"),
    path("vehicle-models/<uuid:vehicle_model>/response/", ResponseView.as_view(), name="response_page"),
    path("worksheet/", EmptyWorksheetView.as_view(), name="worksheet_page"),
    path("alerts/", AlertsView.as_view(), name="alerts_page"),
    path("alerts/<uuid:alert_id>/", AlertView.as_view(), name="alert_page"),
    path("certificates/", CertificatesView.as_view(), name="certificates_page"),
    path("certificates/<int:number>/", CertificateView.as_view(), name="certificate_page"),
    path("certificates/<int:number>/sending/", SendAgainView.as_view(), name="certificate_sending_page"),
    path("certificates/<int:number>/pdf/", CertificatePdfView.as_view(), name="certificate_pdf_page"),
    path("operators/<uuid:operator>/summary/", OperatorSummaryView.as_view(), name="operator_summary_page"),
    path("operators/<uuid:operator>/summary/pdf/", OperatorSummaryPdfView.as_view(), name="operator_summary_pdf_page"),
    path("parked-work/", ParkedWorkView.as_view(), name="parked_work_page"),
    path("parked-work/<uuid:item>/retry/", RetryView.as_view(), name="parked_work_retry_page"),
    path("due/", DueView.as_view(), name="due_page"),
    path("head-conflicts/", HeadConflictsView.as_view(), name="head_conflicts_page"),
    path("head-conflicts/<uuid:conflict>/", HeadConflictView.as_view(), name="head_conflict_page"),
    path("account/notices/", OwnNoticesView.as_view(), name="own_notices"),
    path("account/calendar/", OwnCalendarView.as_view(), name="own_calendar"),
    path("account/calendar/withdrawal/", WithdrawCalendarView.as_view(), name="own_calendar_withdrawal"),
    path("calendar/<str:code>/levelbook.ics", CalendarFileView.as_view(), name="calendar_file"),
    path("notices/<str:code>/", StopNoticeView.as_view(), name="notice_stop"),
    path("webhooks/", WebhooksView.as_view(), name="webhooks_page"),
    path("webhooks/new/", NewWebhookView.as_view(), name="webhook_new"),
    path("webhooks/<uuid:webhook>/", WebhookView.as_view(), name="webhook_page"),
    path("webhooks/<uuid:webhook>/rotation/", RotateSecretView.as_view(), name="webhook_rotation_page"),
    path("webhooks/<uuid:webhook>/end/", EndWebhookView.as_view(), name="webhook_end_page"),
    path(
        "webhooks/<uuid:webhook>/deliveries/<uuid:delivery>/replay/",
        ReplayView.as_view(),
        name="webhook_replay_page",
    ),
    path("verify/", AskView.as_view(), name="verify-ask"),
    path("verify/schema/certificate-1.json", certificate_schema, name="certificate_schema"),
    path("verify/verify_certificate.py", certificate_script, name="certificate_script"),
    path("verify/<str:code>", CodeView.as_view(), name="verify"),
    path("verify/<str:code>/", CodeView.as_view()),  # as people may type it
    path("imports/", ImportsView.as_view(), name="imports_page"),
    path("imports/new/", NewImportView.as_view(), name="import_new"),
    path("imports/examples/<str:kind>.<str:form>", ImportExampleView.as_view(), name="import_example"),
    path("imports/files/<uuid:file_id>/<str:kind>/", ImportColumnsView.as_view(), name="import_columns_page"),
    path("imports/<uuid:import_id>/", ImportView.as_view(), name="import_page"),
    path("imports/<uuid:import_id>/carrying-out/", CarryOutView.as_view(), name="import_carrying_out"),
    path("imports/<uuid:import_id>/cancellation/", CancelImportView.as_view(), name="import_cancellation"),
    path("imports/<uuid:import_id>/errors/", ImportErrorsView.as_view(), name="import_errors"),
    path("exports/", ExportsView.as_view(), name="exports_page"),
    path("exports/<uuid:export_id>/file/", ExportFileView.as_view(), name="export_file_page"),
    path("archives/", ArchivesView.as_view(), name="archives_page"),
    path("archives/<uuid:archive_id>/cancellation/", CancelArchiveView.as_view(), name="archive_cancellation"),
]
