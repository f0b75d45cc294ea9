"""Addresses of reports below /api/v1/."""

from django.urls import path
from rest_framework.routers import SimpleRouter

from .drift_views import AlertViewSet, VehicleDriftView
from .views import CertificateViewSet, ParkedWorkViewSet

router = SimpleRouter()
router.register("certificates", CertificateViewSet, basename="certificate")
router.register("alerts", AlertViewSet, basename="alert")
router.register("parked-work", ParkedWorkViewSet, basename="parked-work")

urlpatterns = [
    *router.urls,
    path("vehicles/<str:vin>/drift/", VehicleDriftView.as_view({"get": "retrieve"}), name="vehicle-drift"),
]
