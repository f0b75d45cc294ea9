"""All addresses of the service."""

from django.urls import URLPattern, URLResolver, include, path
from django.views.generic import RedirectView
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView

from fleet import health
from fleet.admin import site

API: list[URLPattern | URLResolver] = [
    path("", include("fleet.api.urls")),
    path("", include("calibration.api.urls")),
    path("", include("reports.api.urls")),
    path("schema/", SpectacularAPIView.as_view(), name="schema"),
    path("docs/", SpectacularSwaggerSplitView.as_view(url_name="schema"), name="docs"),
]

urlpatterns: list[URLPattern | URLResolver] = [
    path("", RedirectView.as_view(pattern_name="docs")),
    path("healthz", health.healthz),
    path("readyz", health.readyz),
    path("metrics", health.metrics),
    path("admin/", site.urls),
    path("api/v1/", include(API)),
    path("", include("reports.pages.urls")),
]

handler400 = "fleet.api.problem_handlers.bad_request"
handler403 = "fleet.api.problem_handlers.permission_denied"
handler404 = "fleet.api.problem_handlers.not_found"
handler500 = "fleet.api.problem_handlers.server_error"
