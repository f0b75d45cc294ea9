"""The page that explains how a tablet comes to trust the local authority, and the authority's certificate to take."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import NameOID
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from deploy.tls.reading import fingerprint, read_certificate, vouched_for

FILE: Final = "levelbook-authority.crt"
TEXT_FILE: Final = "levelbook-authority.pem"


@require_safe
def explanation(request: HttpRequest) -> HttpResponse:
    """`/trust/`"""
    certificate = _authority()
    values = {
        "name": certificate.subject.get_attributes_for_oid(NameOID.COMMON_NAME)[0].value,
        "fingerprint_lines": _lines(fingerprint(certificate)),
        "fingerprint_in_one": fingerprint(certificate).replace(":", "").lower(),
        "ends_at": certificate.not_valid_after_utc,
        "vouched_for": vouched_for(certificate),
        "address": settings.PUBLIC_URL,
        "file": FILE,
        "text_file": TEXT_FILE,
    }
    return render(request, "trust/page.html", values)


@require_safe
def certificate_file(request: HttpRequest) -> HttpResponse:
    """Of the type that tablets recognise: some offer at once to take it."""
    return HttpResponse(_authority().public_bytes(Encoding.DER), content_type="application/x-x509-ca-cert")


@require_safe
def certificate_text(request: HttpRequest) -> HttpResponse:
    headers = {"Content-Disposition": f'attachment; filename="{TEXT_FILE}"'}
    content = _authority().public_bytes(Encoding.PEM)
    return HttpResponse(content, content_type="application/x-pem-file", headers=headers)


def _lines(digits: str) -> list[str]:
    """Eight pairs each, which fit a phone and are easily compared."""
    width = 8 * len("AB:")
    return [digits[start : start + width] for start in range(0, len(digits), width)]


def _authority() -> x509.Certificate:
    if settings.LOCAL_AUTHORITY is None:
        raise Http404
    return read_certificate(Path(settings.LOCAL_AUTHORITY))


urlpatterns = [
    path("", explanation, name="trust"),
    path(FILE, certificate_file, name="trust_certificate"),
    path(TEXT_FILE, certificate_text, name="trust_certificate_text"),
]
