"""All addresses of the service."""

from csp.decorators import csp_update
from django.urls import URLPattern, URLResolver, include, path
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView

from fleet import health
from fleet.admin import site
from fleet.api import schema  # noqa: F401  (registers the documentation of strict fields)

API: list[URLPattern | URLResolver] = [
    path("", include("fleet.api.urls")),
    path("", include("calibration.api.urls")),
    path("", include("reports.api.urls")),
    path("schema/", SpectacularAPIView.as_view(), name="schema"),
    # The page's own pictures are written into its style sheet.
    path(
        "docs/", csp_update({"img-src": ["data:"]})(SpectacularSwaggerSplitView.as_view(url_name="schema")), name="docs"
    ),
]

urlpatterns: list[URLPattern | URLResolver] = [
    path("healthz", health.healthz),
    path("readyz", health.readyz),
    path("metrics", health.metrics),
    path("admin/", site.urls),
    path("api/v1/", include(API)),
    path("bench/", include("calibration.bench.urls")),
    path("looks/", include("fleet.pages.looks")),
    path("trust/", include("deploy.tls.page")),
    path("", include("fleet.pages.urls")),
    path("", include("calibration.pages.urls")),
    path("", include("reports.pages.urls")),
]

handler400 = "fleet.api.problem_handlers.bad_request"
handler403 = "fleet.api.problem_handlers.permission_denied"
handler404 = "fleet.api.problem_handlers.not_found"
handler429 = "fleet.pages.middleware.too_many"  # asked for by django-allauth
handler500 = "fleet.api.problem_handlers.server_error"
