"""What is published for checking certificates elsewhere: schema and script. Anyone may read it."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import etag, require_safe

from ..certificate.schema import schema_text
from ..selectors.certificate_files import checking_script, checking_script_sha256


@require_safe
@cache_control(public=True, max_age=86_400)
def certificate_schema(request: HttpRequest) -> HttpResponse:
    """`/verify/schema/certificate-1.json`"""
    return HttpResponse(schema_text(), content_type="application/schema+json")


@require_safe
@cache_control(public=True, no_cache=True)
@etag(lambda _request: f'"{checking_script_sha256()}"')
def certificate_script(request: HttpRequest) -> HttpResponse:
    """`/verify/verify_certificate.py`: the very file whose SHA-256 the page beside it shows."""
    disposition = {"Content-Disposition": 'attachment; filename="verify_certificate.py"'}
    return HttpResponse(checking_script(), content_type="text/x-python; charset=utf-8", headers=disposition)
