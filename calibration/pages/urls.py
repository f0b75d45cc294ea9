"""Addresses of the pages of decisions."""

from django.urls import path

from .approvals import ApprovalView, WaitingView
from .height_checks import RecordHeightCheckView
from .outbox_import import OutboxFileView, OutboxImportView
from .rulings import FindingView

urlpatterns = [
    path("approvals/", WaitingView.as_view(), name="approvals_page"),
    path("approvals/<uuid:record_id>/", ApprovalView.as_view(), name="approval_page"),
    path("findings/<uuid:record_id>/", FindingView.as_view(), name="finding_page"),
    path("vehicles/<str:vin>/checks/new/", RecordHeightCheckView.as_view(), name="height_check_new"),
    path("tablets/import/", OutboxImportView.as_view(), name="outbox_import_page"),
    path("tablets/import/<uuid:file_id>/", OutboxFileView.as_view(), name="outbox_file_page"),
]
