"""The work's resources under the interface's base, with the service's own handlers of what is not found."""

from django.urls import include, path

from deploy.urls import handler400, handler403, handler404, handler500

__all__ = ["handler400", "handler403", "handler404", "handler500", "urlpatterns"]

urlpatterns = [path("api/v1/", include("calibration.api.urls")), path("api/v1/", include("fleet.api.urls"))]
