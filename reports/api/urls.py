"""Addresses of reports below /api/v1/."""

from rest_framework.routers import SimpleRouter

from .views import CertificateViewSet, ParkedWorkViewSet

router = SimpleRouter()
router.register("certificates", CertificateViewSet, basename="certificate")
router.register("parked-work", ParkedWorkViewSet, basename="parked-work")

urlpatterns = router.urls
