"""The published schema of what a certificate carries. Anyone may read it."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

from ..certificate.schema import schema_text


@require_safe
@cache_control(public=True, max_age=86_400)
def certificate_schema(request: HttpRequest) -> HttpResponse:
    """`/verify/schema/certificate-1.json`"""
    return HttpResponse(schema_text(), content_type="application/schema+json")
