"""The page where everybody looks first, and under the address that it has in the service, too."""

from django.urls import include, path
from django.views.generic import RedirectView

urlpatterns = [
    path("", RedirectView.as_view(pattern_name="trust")),
    path("trust/", include("deploy.tls.page")),
]
