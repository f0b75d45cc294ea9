"""Addresses of reports below /api/v1/."""

from django.urls import path
from rest_framework.routers import SimpleRouter

from .archive_views import ArchiveViewSet, ExportViewSet
from .calendar_views import OwnCalendarView
from .drift_views import AlertViewSet, VehicleDriftView
from .import_views import ImportViewSet
from .operator_summary import OperatorSummaryView
from .views import UUID_FORM, CertificateViewSet, ParkedWorkViewSet
from .webhook_views import DeliveryViewSet, WebhookViewSet

router = SimpleRouter()
router.register("certificates", CertificateViewSet, basename="certificate")
router.register("alerts", AlertViewSet, basename="alert")
router.register("parked-work", ParkedWorkViewSet, basename="parked-work")
router.register("webhooks", WebhookViewSet, basename="webhook")
router.register("exports", ExportViewSet, basename="export")
router.register("archives", ArchiveViewSet, basename="archive")
router.register(f"webhooks/(?P<webhook>{UUID_FORM})/deliveries", DeliveryViewSet, basename="webhook-delivery")
router.register("imports", ImportViewSet, basename="import")

urlpatterns = [
    *router.urls,
    path("operators/<uuid:pk>/summary/", OperatorSummaryView.as_view({"get": "retrieve"}), name="operator-summary"),
    path(
        "me/calendar/",
        OwnCalendarView.as_view({"get": "retrieve", "put": "make", "delete": "destroy"}),
        name="own-calendar",
    ),
    path("vehicles/<str:vin>/drift/", VehicleDriftView.as_view({"get": "retrieve"}), name="vehicle-drift"),
]
